"""Keying at the desk: blocks whole or not at all, doubts, a second person."""

from dataclasses import replace

import pytest
from seen_at_the_desk import FIVE, tag_of, values_of

from capture.errors import InputError
from capture.jobs.plausible import DoubtError
from capture.jobs.state import StepStatus
from capture.journal import StaleError
from capture.model import new_id
from capture.model.job import (
    Noted,
    Overridden,
    Redone,
)
from capture.model.machine import Nameplate

# ── a keyed block ────────────────────────────────────────────────────────────────────────────


def test_six_keyed_times_are_judged_and_found_again_in_the_file(bench, six):
    """(112.9 − 112.45) of the largest: what the formula span-max gives for means of both ways."""
    bench.begin("pulse-six-readings")
    bench.act(Overridden(step="pulse", lock="insulation", reason="taken yesterday, on paper"))
    bench.key("pulse", six)
    before = bench.desk.now(bench.job)
    (deviation,) = [each for each in before.results if "pulse deviation" in each.name]
    means = [(112.6 + 112.4) / 2, (112.9 + 112.7) / 2, (112.8 + 112.5) / 2]
    assert deviation.value == pytest.approx(100 * (max(means) - min(means)) / max(means))
    assert len(deviation.inputs) == 6
    bench.reopen()
    step = bench.step("pulse")
    assert step.status is StepStatus.TAKEN
    assert values_of(bench, "pulse") == pytest.approx([float(t.split()[0]) * 1e-6 for t in six])
    assert [each.value for each in bench.desk.now(bench.job).results] == [
        each.value for each in before.results
    ]
    points = [tag_of(bench, id_)["test_point"] for id_ in step.readings]
    assert [(each["pair"], each["direction"]) for each in points] == [
        (pair, way) for pair in ("U-V", "V-W", "W-U") for way in ("forward", "reverse")
    ]


def test_keyed_inductances_are_compared_though_the_bridge_showed_no_loss(bench):
    """(22.10 − 21.83) of the mean 21.92: largest distance from it, 22.10 − 21.92 = 0.18."""
    bench.begin("three-pair-inductance", rotor="out")
    for pair, typed in (("u-v", "21.83 mH"), ("v-w", "21.83 mH"), ("w-u", "22.10 mH")):
        bench.key(f"inductance-{pair}", bench.typed((typed,), settings={"frequency": "120"}))
    assessed = bench.desk.now(bench.job)
    (unbalance,) = [each for each in assessed.results if "inductance unbalance" in each.name]
    assert unbalance.value == pytest.approx(100 * 0.18 / 21.92)
    assert len(unbalance.inputs) == 3
    assert any("no loss beside the inductance of U-V, V-W, W-U" in n for n in assessed.notes)
    assert not assessed.uncomputed


def test_a_block_handed_in_twice_stores_nothing_twice(pulses, six):
    keyed, someone, seen = pulses.typed(six), pulses.who(), pulses.state.last
    once = pulses.key("pulse", keyed, someone, seen)
    entries = pulses.reader.last_n()
    again = pulses.key("pulse", keyed, someone, seen)
    assert again == once
    assert pulses.reader.last_n() == entries
    assert pulses.count("reading") == 6


def test_the_answer_was_lost_and_the_value_corrected_before_it_was_sent_again(pulses, six):
    """The same act with another value is another act: what was stored is not passed off for it."""
    keyed, someone, seen = pulses.typed(six), pulses.who(), pulses.state.last
    pulses.key("pulse", keyed, someone, seen)
    values = [replace(keyed.values[0], typed="112.1 µs"), *keyed.values[1:]]
    with pytest.raises(InputError, match=r"is stored as '112\.6 µs'"):
        pulses.key("pulse", replace(keyed, values=values), someone, seen)
    assert values_of(pulses, "pulse")[0] == pytest.approx(112.6e-6)


def test_ids_of_values_are_used_once(pulses, six):
    """A stored reading is never passed off for a value that was typed later."""
    keyed = pulses.typed(six)
    pulses.key("pulse", keyed)
    pulses.act(Redone(step="pulse", reason="leads were swapped"))
    values = [replace(each, typed="118.0 µs") for each in keyed.values]
    with pytest.raises(InputError, match="make a new id"):
        pulses.key("pulse", replace(keyed, values=values))
    values = [replace(each, id=keyed.values[0].id) for each in pulses.typed(six).values]
    with pytest.raises(InputError, match="each value"):
        pulses.key("pulse", replace(keyed, values=values))
    assert pulses.step("pulse").status is StepStatus.OPEN
    assert pulses.count("reading") == 6


@pytest.mark.parametrize("count", [1, 5, 7])
def test_a_block_is_whole_or_refused(pulses, count):
    with pytest.raises(InputError, match=f"takes 6 values at once, not {count}"):
        pulses.key("pulse", ["112.6 µs"] * count)
    assert pulses.count("reading") == 0


def test_one_bad_value_stores_none(pulses):
    with pytest.raises(InputError, match="is not a value"):
        pulses.key("pulse", ("what", *FIVE))
    assert pulses.count("reading") == 0


# ── doubts ───────────────────────────────────────────────────────────────────────────────────


def test_a_slipped_prefix_is_asked_about_then_taken_as_it_stands(pulses):
    keyed = pulses.typed(("112.6 ms", *FIVE))
    with pytest.raises(DoubtError, match=r"U-V 112\.6 ms") as asked:
        pulses.key("pulse", keyed)
    assert [each.suggestion for each in asked.value.doubts] == [pytest.approx(112.6e-6)]
    assert pulses.count("reading") == 0
    assert pulses.step("pulse").status is StepStatus.OPEN
    pulses.key("pulse", replace(keyed, confirmed=True))
    assert values_of(pulses, "pulse")[0] == pytest.approx(0.1126)


@pytest.mark.parametrize("none", ["OL", ">200 µs", "---"])
def test_a_pulse_time_that_is_no_number_among_numbers_is_asked_about(pulses, six, none):
    """The other five say nothing without it; for a resistance it may be the finding."""
    keyed = pulses.typed([*six[:2], none, *six[3:]])
    with pytest.raises(DoubtError, match=r"V-W .*nothing is compared while one is none"):
        pulses.key("pulse", keyed)
    assert pulses.count("reading") == 0
    pulses.key("pulse", replace(keyed, confirmed=True))
    assert pulses.count("reading") == 6


def test_where_no_pulse_time_is_a_number_nothing_is_asked(pulses):
    pulses.key("pulse", 6 * ["OL"])
    assert pulses.count("reading") == 6


def test_a_confirmed_block_handed_in_again_unconfirmed_is_not_asked_about(pulses):
    """The answer was lost: what is stored is the answer."""
    keyed, someone, seen = pulses.typed(("112.6 ms", *FIVE)), pulses.who(), pulses.state.last
    once = pulses.key("pulse", replace(keyed, confirmed=True), someone, seen)
    assert pulses.key("pulse", keyed, someone, seen) == once


@pytest.mark.parametrize(
    ("shown", "agrees"),
    [
        ("0.3 %", True),
        ("0.27 %", True),
        ("1.4 %", False),
        ("0.31 %", False),
        ("0,27 %", True),
        ("0,31 %", False),
        ("27e-2 %", True),
        ("31e-2 %", False),
        ("2.7E-1 %", True),
    ],
)
def test_a_deviation_that_the_instrument_shows_is_held_against_ours(pulses, six, shown, agrees):
    """Ours: (112.8 − 112.5) / 112.8 = 0.266 %; two numbers agree within one shown step."""
    keyed = pulses.typed(six)
    keyed = replace(keyed, shown_deviation=replace(keyed.values[0], id=new_id(), typed=shown))
    if agrees:
        pulses.key("pulse", keyed)
        assert pulses.count("reading") == 7
    else:
        with pytest.raises(DoubtError, match=r"keyed values give 0\.2"):
            pulses.key("pulse", keyed)
        assert pulses.count("reading") == 0


def test_a_shown_deviation_belongs_to_pulses(bench):
    bench.begin("three-pair-inductance")
    keyed = bench.typed(["62.3 mH"])
    keyed = replace(keyed, shown_deviation=replace(keyed.values[0], id=new_id(), typed="1 %"))
    with pytest.raises(InputError, match="belongs to a step of pulse times"):
        bench.key("inductance-u-v", keyed)


def test_earlier_tests_of_the_machine_are_remembered(bench):
    """0.84 Ω before, 840 Ω now: the prefix slipped, or it is another winding."""
    bench.begin("three-pair-resistance", plate=Nameplate(winding="random"))
    bench.key("resistance-u-v", ["842.1 mΩ"])
    bench.job = new_id()
    bench.begin("three-pair-resistance", plate=Nameplate(winding="random"))
    with pytest.raises(DoubtError, match="earlier tests read") as asked:
        bench.key("resistance-u-v", ["842.1 Ω"])
    assert asked.value.doubts[0].suggestion == pytest.approx(0.8421)
    bench.key("resistance-u-v", ["843.0 mΩ"])


def test_what_stood_beside_a_value_is_not_its_like(bench):
    """A bridge shows 62 mH and 0.83 Ω at once; henries are not held against ohms."""
    bench.begin("three-pair-inductance", plate=Nameplate(winding="random"))
    bench.take("inductance-u-v", bench.pair("U-V", henries=62.3e-3, ohms=830.0))
    state, step = bench.state, bench.step("inductance-v-w").step
    draft = bench.draft("inductance", 62.1e-3)
    assert bench.desk.doubts(state, step, [draft]) == []
    (doubt,) = bench.desk.doubts(state, step, [bench.draft("inductance", 62.1)])
    assert doubt.suggestion == pytest.approx(62.1e-3)


def test_who_looks_at_an_old_state_hears_that_before_any_doubt(pulses):
    seen = pulses.state.last
    pulses.act(Noted(text="the foreman looked in"))
    with pytest.raises(StaleError, match="look again"):
        pulses.key("pulse", ("112.6 ms", *FIVE), seen=seen)


# ── keyed twice ──────────────────────────────────────────────────────────────────────────────


def test_a_second_person_who_agrees_is_named(pulses, six):
    again = ("112.6 µs", "0.1124 ms", *six[2:])
    pulses.key("pulse", pulses.typed(six, again=again, second="foreman"))
    source = pulses.service.readings_of(pulses.state)[pulses.step("pulse").readings[0]]["source"]
    assert (source["operator"], source["second_operator"], source["times"]) == (
        "technician",
        "foreman",
        2,
    )


@pytest.mark.parametrize(
    ("again", "says"),
    [
        ("112.5 µs", r"U-V: '112.6 µs' and '112.5 µs' differ"),
        ("112.6 ms", "differ"),
        (">112.6 µs", "differ"),
        ("OL", "differ"),
        ("112.6 µV", "differ"),
        (None, "the second keying is missing"),
    ],
)
def test_a_second_person_who_reads_something_else_is_heard(pulses, six, again, says):
    keyed = pulses.typed(six, again=(again, *six[1:]), second="foreman")
    with pytest.raises(InputError, match=says):
        pulses.key("pulse", keyed)
    assert pulses.count("reading") == 0


def test_two_bounds_that_differ_are_two_readings(bench):
    """`>5 GΩ` and `>50 GΩ` have no number both, and say different things."""
    bench.begin("insulation-one-minute")
    keyed = bench.typed([">5 GΩ"], again=[">50 GΩ"], second="foreman")
    with pytest.raises(InputError, match="differ"):
        bench.key("insulation", keyed)
    bench.key("insulation", bench.typed([">5 GΩ"], again=[">5000 MΩ"], second="foreman"))


@pytest.mark.parametrize("second", ["technician", "Technician ", "  technician"])
def test_nobody_is_their_own_second_person(pulses, six, second):
    with pytest.raises(InputError, match="by another person"):
        pulses.key("pulse", pulses.typed(six, again=six, second=second))


def test_a_second_keying_by_nobody_is_refused(pulses, six):
    """It would be dropped in silence otherwise."""
    with pytest.raises(InputError, match="say who"):
        pulses.key("pulse", pulses.typed(six, again=six))
