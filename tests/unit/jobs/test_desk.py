"""Acting at the desk: order, taking what was captured, locks."""

import pytest
from seen_at_the_desk import tag_of

from capture.errors import InputError
from capture.jobs.rules import LockedError
from capture.jobs.state import StepStatus
from capture.journal import StaleError
from capture.model import new_id
from capture.model.job import (
    Applied,
    Discharged,
    Overridden,
    Paused,
    RampedDown,
    Redone,
    Resumed,
    Selected,
)

# ── order, redo, two people ──────────────────────────────────────────────────────────────────


def test_steps_come_in_any_order(bench):
    bench.begin("three-pair-inductance")
    for pair in ("w-u", "u-v", "v-w"):
        bench.take(f"inductance-{pair}", bench.pair(pair))
    assert bench.state.current is None
    assert "inductance" not in bench.desk.now(bench.job).not_run


def test_a_step_done_again_gives_results_of_the_new_readings_and_keeps_the_old(pulses, six):
    pulses.key("pulse", six)
    before = {each.name: each for each in pulses.service.results(pulses.job)}
    old = pulses.step("pulse").readings
    with pytest.raises(InputError, match="redo it"):
        pulses.key("pulse", six)
    pulses.act(Redone(step="pulse", reason="leads were swapped"))
    assert "pulse still to be done" in pulses.desk.now(pulses.job).sentence
    pulses.key("pulse", ("112.6 µs", "112.4 µs", "121.7 µs", "121.9 µs", "112.9 µs", "112.8 µs"))
    assert [id_ for id_, _ in pulses.step("pulse").superseded] == list(old)
    after = {each.name: each for each in pulses.service.results(pulses.job)}
    name = "pulse deviation (span-max)"
    assert after[name].value > before[name].value + 5
    assert not {str(id_) for id_ in old} & set(after[name].inputs)


def test_of_two_people_the_second_is_told_to_look_again(pulses, six, tmp_path):
    seen = pulses.state.last
    other = pulses.another_desk()
    pulses.key("pulse", six)
    with pytest.raises(StaleError, match="look again"):
        other.key(pulses.job, "pulse", pulses.typed(six), pulses.who("foreman"), seen)
    assert pulses.count("reading") == 6


def test_two_people_between_look_and_write_store_one_block(pulses, six):
    """The second one's entries come in after the first has looked, and before it has written."""
    seen, foreman = pulses.state.last, pulses.who("foreman")
    rival = pulses.another_desk()

    def late(batch, expecting=None):
        rival.key(pulses.job, "pulse", pulses.typed(six), foreman, seen)
        return pulses.append(batch, expecting)

    with pytest.raises(StaleError):
        pulses.another_desk(append=late).key(
            pulses.job, "pulse", pulses.typed(six), pulses.who(), seen
        )
    assert pulses.count("reading") == 6
    assert pulses.state.operators == {"technician", "foreman"}


# ── taking what was captured ─────────────────────────────────────────────────────────────────


def test_the_newest_reading_is_taken_with_what_stood_beside_it(bench):
    bench.begin("three-pair-inductance")
    bench.pair("U-V")
    newest = bench.pair("U-V")
    bench.reading("resistance", 0.84)
    assert bench.desk.newest(bench.job, "inductance-u-v") == newest
    bench.take("inductance-u-v", newest)
    tag = tag_of(bench, newest[0])
    assert (tag["machine"], tag["test_point"]["pair"]) == ("fan-07", "U-V")


@pytest.mark.parametrize(
    "event", [None, Paused(reason="tea break"), Redone(step="inductance-u-v", reason="again")]
)
def test_a_value_from_before_the_step_is_not_the_newest(bench, event):
    """What was shown before belongs to something else: another pair, another machine."""
    bench.pair("U-V")
    bench.begin("three-pair-inductance")
    if event is not None:
        bench.take("inductance-u-v", bench.pair("U-V"))
        bench.act(event)
        if isinstance(event, Paused):
            bench.pair("V-W")
            bench.act(Resumed())
    with pytest.raises(InputError, match="no reading of inductance has come"):
        bench.desk.newest(bench.job, "inductance-v-w")


def test_a_value_shown_again_is_passed_over_by_the_newest(bench):
    bench.begin("three-pair-inductance")
    good = bench.pair("U-V")
    bench.reading("inductance", 0.0623, status="stale")
    assert bench.desk.newest(bench.job, "inductance-u-v") == good


def test_the_instrument_that_a_step_names_is_the_one_that_counts(bench):
    text = (
        "schema_version=1\nname='x'\ntitle='X'\n[[steps]]\nid='a'\ntitle='A'\npoints=['U-V']\n"
        "quantity='resistance'\ninstrument='ohm-2'\n"
    )
    bench.begin(text)
    wanted = bench.reading("resistance", 0.84, instrument="ohm-2")
    bench.reading("resistance", 0.99, instrument="ohm-1")
    assert bench.desk.newest(bench.job, "a") == [wanted]


def test_a_bridges_series_resistance_is_no_direct_current_reading(bench):
    """It carries its frequency; the newest reading for a direct-current step does not."""
    bench.begin("three-pair-resistance")
    wanted = bench.reading("resistance", 0.84)
    bench.pair("U-V", ohms=1.9)
    assert bench.desk.newest(bench.job, "resistance-u-v") == [wanted]


def test_values_of_other_frames_never_stand_beside_one(bench):
    """Another frame, another instrument, another session: none is beside it."""
    bench.begin("three-pair-inductance")
    group, session = new_id(), new_id()
    own = {"group": group, "session": session}
    wanted = bench.draft("inductance", 0.0623, **own)
    bench.append(
        [
            bench.draft("resistance", 0.8, instrument="ohm-1", **own),
            bench.draft("resistance", 0.8, instrument="lcr-1", group=group, session=new_id()),
            bench.draft("resistance", 0.8, instrument="lcr-1", group=new_id(), session=session),
            wanted,
            bench.draft("quality_factor", 9.0, **own),
        ]
    )
    found = bench.desk.newest(bench.job, "inductance-u-v")
    assert found[0] == wanted.id
    assert [bench.reader.entry(id_).subject for id_ in found[1:]] == ["quality_factor"]


def test_readings_of_a_block_are_tagged_with_their_own_points(pulses):
    """Six stored times taken at once: each is of its own test point, not of the first."""
    times = [pulses.reading("pulse_time", 112e-6 + n * 1e-7) for n in range(6)]
    pulses.take("pulse", times)
    points = [tag_of(pulses, id_)["test_point"] for id_ in times]
    assert [(each["pair"], each["direction"]) for each in points] == [
        (pair, way) for pair in ("U-V", "V-W", "W-U") for way in ("forward", "reverse")
    ]


@pytest.mark.parametrize(
    ("readings", "says"),
    [
        (lambda _bench: [], "no reading of inductance has come"),
        (lambda _bench: [new_id()], "there is no reading"),
        (lambda bench: [bench.reading("resistance", 0.8)], "takes inductance, not resistance"),
        (lambda bench: [bench.pair("U-V")[0]] * 2, "stands twice"),
        (lambda bench: [bench.state.job, bench.pair("U-V")[0]], "there is no reading"),
    ],
)
def test_what_cannot_be_taken_is_said_in_one_line(bench, readings, says):
    bench.begin("three-pair-inductance")
    with pytest.raises(InputError, match=says):
        bench.take("inductance-u-v", readings(bench))
    assert bench.step("inductance-u-v").status is StepStatus.OPEN


def test_a_reading_serves_one_step(bench):
    """Taken twice by a slip, one reading would stand for two pairs."""
    bench.begin("three-pair-inductance")
    readings = bench.pair("U-V")
    bench.take("inductance-u-v", readings)
    with pytest.raises(InputError, match="taken for step inductance-u-v"):
        bench.take("inductance-v-w", readings)
    bench.act(Redone(step="inductance-u-v", reason="was V-W all along"))
    bench.take("inductance-v-w", readings)


def test_a_reading_taken_twice_by_the_same_act_is_taken_once(bench):
    """Sent again after the inductance is known: the answer is the stored one, not a refusal."""
    bench.begin("after-rewind")
    amperes = {"test_current": {"value": 0.01, "unit": "A"}}
    reading = bench.reading("resistance", 0.84, conditions=amperes)
    someone, seen = bench.who(), bench.state.last
    bench.desk.take(bench.job, "resistance-u-v", [reading], someone, seen)
    assert bench.state.ramp_down == {"resistance-u-v"}
    bench.ramped_down("resistance-u-v")
    bench.take("inductance-u-v", bench.pair("U-V"))
    entries = bench.reader.last_n()
    again = bench.desk.take(bench.job, "resistance-u-v", [reading], someone, seen)
    assert again == bench.state
    assert bench.reader.last_n() == entries


# ── locks ────────────────────────────────────────────────────────────────────────────────────


def insulated(bench, megohms=850.0, **more):
    """Key the insulation reading of the whole winding."""
    return bench.key("insulation", bench.typed([f"{megohms} MΩ"]), **more)


def test_after_insulation_every_step_waits_four_times_the_voltage(bench, six):
    """IEEE Std 43, from memory: 60 s of voltage, 240 s of discharge."""
    bench.begin("after-rewind", winding_celsius=22.0)
    insulated(bench)
    assert [each.seconds for each in bench.state.applications] == [60]
    for step, keyed in (("resistance-u-v", ["842.1 mΩ"]), ("pulse", six)):
        with pytest.raises(LockedError, match="wait 240 s more") as held:
            bench.key(step, keyed)
        assert [lock.name for lock in held.value.locks] == ["discharge"]
    bench.clock.advance(239)
    with pytest.raises(LockedError, match="wait 1 s more"):
        bench.act(Discharged(step="insulation"))
    bench.clock.advance(1)
    with pytest.raises(LockedError, match="prove the winding discharged, then confirm"):
        bench.key("pulse", six)
    bench.act(Discharged(step="insulation"))
    bench.key("pulse", six)


def test_a_longer_voltage_asks_for_a_longer_discharge(bench):
    bench.begin("insulation-one-minute")
    insulated(bench, applied_seconds=610)
    with pytest.raises(LockedError, match="wait 2440 s more"):
        bench.act(Discharged(step="insulation"))


@pytest.mark.parametrize("seconds", [0, -5, 1e6, float("nan")])
def test_a_time_of_voltage_that_cannot_be_is_refused(bench, seconds):
    bench.begin("insulation-one-minute")
    with pytest.raises(InputError, match="seconds"):
        insulated(bench, applied_seconds=seconds)
    assert bench.count("reading") == 0


def test_leads_wait_for_the_current_and_an_override_needs_a_reason(bench):
    bench.begin("three-pair-resistance")
    bench.key("resistance-u-v", ["842.1 mΩ"])
    with pytest.raises(LockedError, match="ramp the meter's current down"):
        bench.key("resistance-v-w", ["842.3 mΩ"])
    with pytest.raises(ValueError, match="at least 3 characters"):
        Overridden(step="resistance-v-w", lock="ramp-down", reason="")
    bench.act(Overridden(step="resistance-v-w", lock="ramp-down", reason="meter was switched off"))
    bench.key("resistance-v-w", ["842.3 mΩ"])
    bench.act(RampedDown(step="resistance-u-v"))
    bench.act(RampedDown(step="resistance-v-w"))
    bench.key("resistance-w-u", ["842.4 mΩ"])


@pytest.mark.parametrize(
    ("amperes", "waits"),
    [(1.0, False), (10.0, True), (None, True)],
)
def test_little_energy_needs_no_word_and_much_does(bench, amperes, waits):
    """½·62.3 mH·(10 A)² = 3.1 J; with 1 A it is 31 mJ; without a current nobody knows."""
    bench.begin("after-rewind")
    inductance = bench.pair("U-V")
    bench.take("inductance-u-v", inductance[::-1])  # whatever comes first, henries are henries
    told = {} if amperes is None else {"test_current": {"value": amperes, "unit": "A"}}
    bench.take("resistance-u-v", [bench.reading("resistance", 0.84, conditions=told)])
    assert bool(bench.state.ramp_down) == waits


def test_pulses_wait_for_the_insulation(bench, six):
    bench.begin("after-rewind", winding_celsius=22.0)
    with pytest.raises(LockedError, match="it is missing"):
        bench.key("pulse", six)
    insulated(bench, 3.1)
    bench.discharge()
    with pytest.raises(LockedError, match="has failed") as held:
        bench.key("pulse", six)
    assert [lock.name for lock in held.value.locks] == ["insulation"]
    bench.act(Overridden(step="pulse", lock="insulation", reason="wet; the owner wants to know"))
    bench.key("pulse", six)
    entry = bench.reader.of_subject("job", str(bench.job))[-2].body
    assert b"the owner wants to know" in entry


def test_an_insulation_reading_done_again_holds_pulses_back_again(bench, six):
    bench.begin("after-rewind", winding_celsius=22.0)
    insulated(bench)
    bench.discharge()
    bench.act(Redone(step="insulation", reason="damp cleared"))
    with pytest.raises(LockedError, match="it is missing"):
        bench.key("pulse", six)


def test_a_chosen_step_is_still_locked(bench, six):
    bench.begin("after-rewind")
    bench.act(Selected(step="pulse"))
    with pytest.raises(LockedError):
        bench.key("pulse", six)


def test_a_voltage_that_was_applied_holds_steps_though_nothing_was_taken(bench):
    bench.begin("after-rewind")
    bench.act(Applied(step="insulation", seconds=30))
    with pytest.raises(LockedError, match="wait 120 s more"):
        bench.key("resistance-u-v", ["842.1 mΩ"])
