"""Results of a job: as soon as their inputs are there, each stored once, and what they lock."""

from dataclasses import replace

import pytest

from capture.errors import InputError
from capture.jobs.found import Uncomputed
from capture.jobs.results import compute, insulation_failed
from capture.jobs.rules import LockedError
from capture.jobs.state import StepStatus
from capture.journal import StaleError
from capture.model import new_id
from capture.model.job import ConditionsChanged, Finished, JobConditions, Noted, Overridden, Redone
from capture.model.machine import Nameplate
from capture.winding import Measured, insulation_at_40

PLATE = Nameplate(
    rated_volts=400, connection="star", winding="random", year=2004, zero_resistance_celsius=235
)


def names(bench):
    return [each.name for each in bench.desk.now(bench.job).results]


def value(bench, name):
    return next(each for each in bench.desk.now(bench.job).results if each.name == name)


def resistances(bench, ohms=(0.8421, 0.8423, 0.8426), celsius=(None, None, None)):
    for pair, each, at in zip(("u-v", "v-w", "w-u"), ohms, celsius, strict=True):
        told = None if at is None else JobConditions(winding_celsius=at)
        bench.take(f"resistance-{pair}", [bench.reading("resistance", each)], conditions=told)
        bench.ramped_down(f"resistance-{pair}")


def insulated(bench, shown="850 MΩ", **conditions):
    told = JobConditions(**conditions) if conditions else None
    bench.key("insulation", bench.typed([shown], confirmed=True), conditions=told)


# ── step by step ─────────────────────────────────────────────────────────────────────────────


def test_before_anything_is_taken_all_is_named_that_is_missing(bench):
    bench.begin()
    now = bench.desk.now(bench.job)
    assert now.sentence == (
        "Nothing can be said yet: resistance, inductance, insulation, pulse still to be done."
    )
    assert now.verdict == "inconclusive"
    assert now.not_run == ("resistance", "inductance", "insulation", "pulse")


def test_each_quantity_has_its_results_as_soon_as_its_inputs_are_there(bench, six):
    bench.begin(winding_celsius=22.0)
    bench.take("resistance-u-v", [bench.reading("resistance", 0.8421)])
    bench.ramped_down("resistance-u-v")
    assert names(bench) == []
    assert any("V-W, W-U is missing" in each for each in bench.desk.now(bench.job).notes)
    for pair in ("v-w", "w-u"):
        bench.take(f"resistance-{pair}", [bench.reading("resistance", 0.8423)])
        bench.ramped_down(f"resistance-{pair}")
    assert names(bench)[0] == "resistance unbalance (mean)"
    assert bench.desk.now(bench.job).not_run == ("inductance", "insulation", "pulse")
    for pair in ("u-v", "v-w", "w-u"):
        bench.take(f"inductance-{pair}", bench.pair(pair))
    assert "inductance unbalance (mean)" in names(bench)
    insulated(bench)
    assert "insulation resistance after 60 s, at 40 °C" in names(bench)
    bench.discharge()
    bench.key("pulse", six)
    assert "pulse deviation (span-max)" in names(bench)
    assert bench.desk.now(bench.job).not_run == ()


def test_results_come_in_one_order_whatever_was_taken_first(bench):
    bench.begin(winding_celsius=22.0)
    insulated(bench)
    bench.discharge()
    resistances(bench)
    assert names(bench)[0] == "resistance unbalance (mean)"
    assert names(bench)[-1] == "insulation resistance after 60 s, at 40 °C"


# ── temperature ──────────────────────────────────────────────────────────────────────────────


def test_resistances_are_brought_to_the_reference_temperature(bench):
    """R·(k + 25)/(k + 22), k = 235 for copper (IEC 60034-1)."""
    bench.begin("three-pair-resistance", plate=PLATE, winding_celsius=22.0)
    resistances(bench)
    found = value(bench, "resistance U-V at 25 °C")
    assert found.value == pytest.approx(0.8421 * (235 + 25) / (235 + 22))


def test_a_machine_registered_as_concentric_is_judged_as_one_all_the_way(bench):
    plate = PLATE.model_copy(update={"winding": "concentric"})
    bench.begin("three-pair-resistance", plate=plate, winding_celsius=22.0)
    resistances(bench)
    notes = bench.desk.now(bench.job).notes
    assert len([each for each in notes if "differ by construction" in each]) == 1
    assert len([each for each in notes if "does not say how coils are made" in each]) == 1


def test_each_quantity_is_corrected_from_the_temperature_it_was_taken_at(bench):
    """The winding was colder for its insulation: that says nothing of its resistance."""
    bench.begin(plate=PLATE)
    resistances(bench, celsius=(30.0, 30.0, 30.5))
    insulated(bench, winding_celsius=18.0)
    assert value(bench, "resistance U-V at 25 °C").value == pytest.approx(0.8421 * 260 / 265)
    assert value(bench, "insulation resistance after 60 s, at 40 °C").value == pytest.approx(
        insulation_at_40(Measured(value=850e6), 18.0, "thermosetting").value
    )


def test_resistances_at_different_temperatures_are_not_brought_to_one(bench):
    bench.begin("three-pair-resistance", plate=PLATE)
    resistances(bench, celsius=(20.0, 24.0, 20.0))
    assert "resistance U-V at 25 °C" not in names(bench)
    (note,) = [each for each in bench.desk.now(bench.job).notes if "winding temperatures" in each]
    assert "from 20 °C to 24 °C" in note


def test_insulation_without_a_temperature_waits_for_it(bench):
    """The number is kept; what it means at 40 °C is said once the temperature is known."""
    bench.begin("insulation-one-minute")
    insulated(bench)
    assert names(bench) == []
    assert any("winding_celsius" in each for each in bench.desk.now(bench.job).notes)
    bench.act(ConditionsChanged(conditions=JobConditions(winding_celsius=22.0)))
    assert names(bench) == ["insulation resistance after 60 s, at 40 °C"]
    assert bench.count("result") == 1


def told(bench):
    """Give why quantities came to no result, and hold the notes against it: the same, in one line."""
    now = bench.desk.now(bench.job)
    for each in now.uncomputed:
        name = "" if each.reading is None else f"reading {each.reading}"
        asked = "" if each.condition is None else f"conditions.{each.condition}"
        assert f"{each.quantity}: {name}{each.why}{asked}" in now.notes
    return now.uncomputed


def test_why_a_quantity_came_to_no_result_is_told_as_data(bench, six):
    bench.begin()
    assert told(bench) == ()
    bench.take("resistance-u-v", [bench.reading("resistance", 0.8421)])
    (found,) = told(bench)
    assert (found.quantity, found.reading, found.condition) == ("resistance", None, None)
    assert found.why.startswith("resistance of V-W, W-U is missing")


def test_the_condition_that_is_asked_for_is_told_by_its_name(bench):
    bench.begin("insulation-one-minute")
    insulated(bench)
    why = "insulation resistance cannot be brought to 40 °C: give "
    assert told(bench) == (Uncomputed("insulation_resistance", why, condition="winding_celsius"),)
    bench.act(ConditionsChanged(conditions=JobConditions(winding_celsius=22.0)))
    assert told(bench) == ()


def test_the_reading_that_cannot_be_taken_is_told_by_its_id(bench):
    bench.begin("three-pair-inductance")
    first = bench.reading("inductance", 0.0123)
    for pair, reading in (
        ("u-v", first),
        ("v-w", bench.reading("inductance", 0.0124)),
        ("w-u", bench.reading("inductance", 0.0125)),
    ):
        bench.take(f"inductance-{pair}", [reading])
    (found,) = told(bench)
    assert (found.quantity, found.reading) == ("inductance", str(first))
    assert found.why == " does not say its frequency; give it as a condition"


def test_what_was_taken_and_came_to_no_result_was_not_left_out(bench):
    """Three inductances without their frequency: nobody need take them once more to finish."""
    bench.begin("three-pair-inductance")
    for pair in ("u-v", "v-w"):
        bench.take(f"inductance-{pair}", [bench.reading("inductance", 0.0123)])
    assert bench.desk.now(bench.job).not_run == ("inductance",)  # one is still to come
    bench.take("inductance-w-u", [bench.reading("inductance", 0.0123)])
    now = bench.desk.now(bench.job)
    assert (now.not_run, now.without_result) == ((), ("inductance",))
    assert now.sentence == "Nothing can be said yet: inductance taken, without a result."
    assert now.verdict == "inconclusive"


def test_what_is_missing_of_a_finished_job_is_not_still_to_be_done(bench):
    bench.begin("three-pair-inductance")
    bench.take("inductance-u-v", [bench.reading("inductance", 0.0123)])
    bench.act(Finished())
    now = bench.desk.now(bench.job)
    assert (now.not_run, now.without_result) == ((), ("inductance",))


def test_the_others_results_stand_beside_what_came_to_none(bench):
    bench.begin(plate=PLATE)
    resistances(bench)
    for pair in ("u-v", "v-w", "w-u"):
        bench.take(f"inductance-{pair}", [bench.reading("inductance", 0.0123)])
    now = bench.desk.now(bench.job)
    assert (now.not_run, now.without_result) == (("insulation", "pulse"), ("inductance",))
    assert now.sentence.endswith("(not run: insulation, pulse; without a result: inductance).")


# ── stored once ──────────────────────────────────────────────────────────────────────────────


def test_a_result_is_stored_once_and_anew_when_it_differs(bench):
    bench.begin("three-pair-resistance", plate=PLATE)
    resistances(bench)
    first = bench.service.results(bench.job)
    assert len({each.name for each in first}) == len(first)
    assert {(each.site, each.bench, each.machine) for each in first} == {
        ("sawmill", "bench-1", "fan-07")
    }
    bench.act(Noted(text="dusty"))
    bench.desk.results.update(bench.job, bench.clock.utc())
    assert bench.service.results(bench.job) == first
    bench.act(Redone(step="resistance-u-v", reason="clip slipped"))
    assert bench.service.results(bench.job) == first
    bench.take("resistance-u-v", [bench.reading("resistance", 0.9)])
    after = bench.service.results(bench.job)
    assert len(after) > len(first)
    newest = {each.name: each for each in after}
    assert newest["resistance unbalance (mean)"].value > 4


def test_two_who_compute_at_once_store_each_result_once(bench):
    bench.begin("three-pair-resistance", plate=PLATE)
    other = bench.another_desk()
    raced = []

    def late(batch, expecting=None):
        if expecting is not None and expecting.kind == "result" and not raced:
            raced.append(1)
            other.results.update(bench.job, bench.clock.utc())
        return bench.append(batch, expecting)

    bench.desk = bench.another_desk(append=late)
    resistances(bench)
    assert raced
    stored = [each.name for each in bench.service.results(bench.job)]
    assert sorted(stored) == sorted(set(stored))


def test_results_that_never_find_their_turn_are_left_for_the_next_time(bench):
    """The act itself stands: it was stored before."""
    bench.begin("three-pair-resistance", plate=PLATE)

    def busy(batch, expecting=None):
        if expecting is not None and expecting.kind == "result":
            raise StaleError("somebody else again")
        return bench.append(batch, expecting)

    bench.desk = bench.another_desk(append=busy)
    resistances(bench)
    assert bench.state.current is None
    assert bench.count("result") == 0
    bench.another_desk().complete(bench.job)
    assert bench.count("result") > 0


def test_a_nameplate_that_is_said_anew_is_judged_anew(bench):
    bench.begin("insulation-one-minute", plate=Nameplate(), winding_celsius=22.0)
    insulated(bench, "30 MΩ")
    assert bench.desk.now(bench.job).results[0].judgement is None
    bench.service.register("fan-07", PLATE, bench.who())
    assert bench.desk.now(bench.job).results[0].judgement is not None


# ── whether insulation has failed ────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("shown", "plate", "celsius", "failed"),
    [
        ("850 MΩ", PLATE, 22.0, False),
        ("3 MΩ", PLATE, 22.0, True),
        (">5.5 GΩ", PLATE, 22.0, False),
        (">1 MΩ", PLATE, 22.0, True),
        ("<1 MΩ", PLATE, 22.0, True),
        ("<2 GΩ", PLATE, 22.0, True),
        # Above a range that nobody knows: neither failed nor judged.
        ("OL", PLATE, 22.0, None),
        ("---", PLATE, 22.0, True),
        # Without a temperature the value is taken as it is.
        ("3 MΩ", PLATE, None, True),
        ("10 kΩ", PLATE, None, True),
        ("850 MΩ", PLATE, None, False),
        # Without rated voltage or year nobody knows the limit; no winding may have less than 1 MΩ.
        ("10 kΩ", Nameplate(), None, True),
        ("900 kΩ", Nameplate(), 40.0, True),
        ("30 MΩ", Nameplate(), 40.0, None),
        ("10 kΩ", Nameplate(rated_volts=400), 22.0, True),
        # 100 MΩ form-wound, 5 MΩ random-wound: what may be too little keeps pulses away.
        ("30 MΩ", Nameplate(rated_volts=6600, year=2004), 40.0, True),
        ("30 MΩ", Nameplate(rated_volts=6600, year=2004, winding="random"), 40.0, False),
        ("30 MΩ", Nameplate(rated_volts=6600, year=2004, winding="concentric"), 40.0, True),
        ("30 MΩ", Nameplate(rated_volts=400, year=2004, winding="concentric"), 40.0, False),
        ("150 MΩ", Nameplate(rated_volts=6600, year=2004), 40.0, False),
    ],
)
def test_insulation_fails_by_what_is_known(bench, shown, plate, celsius, failed):
    """Random-wound: 5 MΩ at 40 °C (IEEE Std 43-2013, 12.3, from public texts)."""
    bench.begin("insulation-one-minute", plate=plate, winding_celsius=celsius)
    insulated(bench, shown)
    assert bench.desk.results.failed(bench.state, "insulation") is failed


PHASES = """\
schema_version = 1
name = "six-ends"
title = "Each phase to the frame"

[[steps]]
id = "insulation"
title = "Insulation of each phase"
cautions = ["The tester puts its voltage on the winding."]
points = ["U1-frame", "V1-frame", "W1-frame"]
quantity = "insulation_resistance"
energy = "test-voltage"
take = { how = "keyed" }
"""


@pytest.mark.parametrize(
    ("shown", "plate", "failed"),
    [
        (("850 MΩ", "850 MΩ", "850 MΩ"), PLATE, False),
        (("850 MΩ", "10 kΩ", "850 MΩ"), PLATE, True),
        # 9 MΩ each is 3 MΩ side by side, and 5 MΩ is the least of the whole (equal paths, computed).
        (("9 MΩ", "9 MΩ", "9 MΩ"), PLATE, True),
        (("16 MΩ", "16 MΩ", "16 MΩ"), PLATE, False),
        (("850 MΩ", "10 kΩ", "850 MΩ"), Nameplate(), True),
    ],
)
def test_phases_off_one_display_hold_pulses_back_as_the_whole_would(bench, shown, plate, failed):
    """Up to now a phase with 10 kΩ to the frame kept nobody from pulses."""
    bench.begin(PHASES, plate=plate, winding_celsius=40.0)
    bench.key("insulation", bench.typed(shown, confirmed=True))
    assert bench.desk.results.failed(bench.state, "insulation") is failed


@pytest.mark.parametrize("status", ["breakdown", "aborted", "live-voltage"])
def test_a_test_that_ended_badly_has_failed_whatever_it_showed(bench, status):
    bench.begin("insulation-one-minute", plate=PLATE, winding_celsius=22.0)
    bench.take("insulation", [bench.reading("insulation_resistance", 9e9, status=status)])
    assert bench.desk.results.failed(bench.state, "insulation") is True


def test_nothing_taken_is_nothing_judged(bench):
    state = bench.begin("insulation-one-minute", plate=PLATE)
    machine = bench.service.machine("fan-07")
    assert insulation_failed(state, machine, {}, "insulation") is None
    with pytest.raises(InputError, match="there is no step"):
        insulation_failed(state, machine, {}, "nowhere")


def test_where_the_rotor_was_is_told_by_the_pulse_step_where_no_inductance_is_taken(pulses, six):
    pulses.key("pulse", six, conditions=JobConditions(rotor="in"))
    notes = " ".join(pulses.desk.now(pulses.job).notes)
    assert "with the rotor in, pulse times depend on where it stands" in notes
    pulses.act(Redone(step="pulse", reason="rotor taken out"))
    pulses.key("pulse", six, conditions=JobConditions(rotor="out"))
    assert "where it stands" not in " ".join(pulses.desk.now(pulses.job).notes)


@pytest.mark.parametrize("shown", ["3 MΩ", "---", "<1 MΩ"])
def test_a_failed_insulation_holds_pulses_back_whoever_adopted_the_limit(bench, six, shown):
    bench.begin(plate=PLATE)
    insulated(bench, shown)
    bench.discharge()
    with pytest.raises(LockedError, match="no pulses on this winding"):
        bench.key("pulse", six)
    bench.act(Overridden(step="pulse", lock="insulation", reason="the owner wants to know"))
    bench.key("pulse", six)


def test_a_reading_that_is_in_no_journal_is_named(bench):
    """A job that was copied without its readings says so."""
    bench.begin("three-pair-inductance")
    missing = new_id()
    state = bench.state
    step = state.steps["inductance-u-v"]
    steps = {
        **state.steps,
        "inductance-u-v": replace(step, status=StepStatus.TAKEN, readings=(missing,)),
    }
    found = compute(
        replace(state, steps=steps), bench.service.machine("fan-07"), {}, bench.clock.utc()
    )
    assert found.notes == (f"reading {missing} of step inductance-u-v is not in the journal",)
