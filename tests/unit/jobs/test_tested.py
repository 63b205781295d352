"""No pass where a place of the machine was not tested, or its test came to nothing."""

import pytest
from test_six_ends import PLATE, shown
from test_wound_rotor import PLATE as WITH_RINGS
from test_wound_rotor import SOUND
from whole_jobs import adopt, do_all_but

from capture.model.job import Overridden, Redone, Skipped
from capture.records.texts import catalogue

W = "insulation at W1+W2-frame earth U1+U2+V1+V2"
ROTOR = "insulation at K+L+M-frame earth U+V+W"
RINGS = tuple(f"resistance at {pair}" for pair in ("K-L", "L-M", "M-K"))
PAIRS = ("u-v", "v-w", "w-u")
TURNED = """
schema_version = 1
name = "turned"
title = "Inductance at two angles of the rotor"
"""
STEP = """
[[steps]]
id = "{}"
title = "Inductance"
points = ["{}"]
quantity = "inductance"
energy = "none"
take = {{ how = "settled" }}
"""
#: A step that is left for later, or left out for good.
HOW = pytest.mark.parametrize("skipped", [True, False])


@pytest.fixture
def ends(bench):
    adopt(bench)
    bench.begin("six-ends", plate=PLATE, winding_celsius=40.0, rotor="out")
    return bench


@pytest.fixture
def rings(bench):
    adopt(bench)
    bench.begin("wound-rotor", plate=WITH_RINGS, winding_celsius=40.0, rotor="in")
    return bench


def leave_out(bench, steps):
    for step in steps:
        bench.act(Skipped(step=step, reason="no time today"))


def pulse(bench):
    """Put pulses on a winding whose insulation somebody has decided about."""
    reason = "decided with the foreman"
    bench.act(Overridden(step="pulse", lock="insulation", reason=reason))
    bench.key("pulse", bench.typed(shown()["pulse"], confirmed=True))
    return bench.desk.now(bench.job)


@HOW
def test_a_phase_whose_insulation_nobody_has_tested_keeps_six_ends_from_passing(ends, skipped):
    """The whole and two phases passed, and the report said pass of the third one too."""
    do_all_but(ends, shown(), {"insulation-w", "pulse"})
    if skipped:
        leave_out(ends, ["insulation-w"])
    found = pulse(ends)
    assert found.verdict == "inconclusive"
    assert found.not_run == (W,)
    assert W in found.sentence
    assert W in found.doubt


@HOW
def test_a_rotor_that_nobody_has_tested_keeps_a_machine_from_passing(rings, skipped):
    """The stator's values alone passed for the machine."""
    left = ["resistance-k-l", "resistance-l-m", "resistance-m-k", "insulation-rotor"]
    if skipped:
        leave_out(rings, left)
    found = do_all_but(rings, SOUND, set(left))
    assert found.verdict == "inconclusive"
    assert found.not_run == (*RINGS, ROTOR)


def test_what_fails_fails_whatever_was_not_tested(rings):
    leave_out(rings, ["insulation-rotor"])
    low = {**SOUND, "insulation": [2e5, 2e5, 2e5]}
    found = do_all_but(rings, low, {"insulation-rotor"})
    assert found.verdict == "fail"
    assert found.not_run == (ROTOR,)


def test_a_step_that_is_opened_again_is_not_tested(ends):
    """Its reading holds no more, and nothing stands in its place yet."""
    assert do_all_but(ends, shown(), ()).verdict == "pass"
    ends.act(Redone(step="insulation-w", reason="the lead was off"))
    found = ends.desk.now(ends.job)
    assert (found.verdict, found.not_run) == ("inconclusive", (W,))


@pytest.mark.parametrize("status", ["breakdown", "aborted", "live-voltage"])
def test_a_phase_whose_test_came_to_nothing_keeps_six_ends_from_passing(ends, status):
    """A breakdown of one phase is no number, so no number failed: the whole was called a pass."""
    do_all_but(ends, shown(), {"insulation-w", "pulse"})
    broken = ends.reading("insulation_resistance", 1.5e9, status=status)
    ends.take("insulation-w", [broken])
    ends.discharge("insulation-w")
    found = pulse(ends)
    assert (found.verdict, found.not_run, found.without_result) == ("inconclusive", (), (W,))
    assert W in found.sentence


@pytest.mark.parametrize("count", [1, 3])
def test_insulation_that_had_not_settled_opens_no_lock_of_pulses(bench, count):
    """1 kΩ: nothing judged it, and what nobody can judge held nothing."""
    bench.begin("after-rewind", plate=PLATE, winding_celsius=40.0)
    ohms = {"value": 1e3, "status": "unsettled"}
    taken = [bench.reading("insulation_resistance", **ohms) for _ in range(count)]
    bench.take("insulation", taken)
    bench.discharge()
    steps = {each["id"]: each for each in bench.desk.view(bench.state)["steps"]}
    assert [lock["name"] for lock in steps["pulse"]["locks"]] == ["insulation"]


def test_a_series_that_lost_its_minute_opens_no_lock_of_pulses(bench):
    """Two early values and none of one minute: no value was compared with anything."""
    bench.begin("after-rewind", plate=PLATE, winding_celsius=40.0)
    taken = [bench.reading("insulation_resistance", 1e3) for _ in range(2)]
    taken.append(bench.reading("insulation_resistance", None, status="invalid"))
    bench.take("insulation", taken)
    bench.discharge()
    assert bench.desk.results.failed(bench.state, "insulation") is True
    steps = {each["id"]: each for each in bench.desk.view(bench.state)["steps"]}
    assert [lock["name"] for lock in steps["pulse"]["locks"]] == ["insulation"]


def test_a_breakdown_after_the_minute_passes_nothing(bench):
    """The value of one minute passed, and the test broke down after it."""
    adopt(bench)
    bench.begin("insulation-ten-minutes", plate=PLATE, winding_celsius=40.0)
    taken = [bench.reading("insulation_resistance", ohms) for ohms in (2e9, 4e9)]
    taken.append(bench.reading("insulation_resistance", 4e9, status="breakdown"))
    bench.take("insulation", taken)
    found = bench.desk.now(bench.job)
    assert found.verdict == "inconclusive"
    assert found.without_result == ("insulation at U+V+W-frame",)


def test_a_place_that_another_step_has_tested_may_be_left_out(bench):
    """The same pair once more with the shaft turned: each pair was read, and nothing is missing."""
    adopt(bench)
    steps = "".join(STEP.format(f"{pair}-{turn}", pair) for turn in (0, 30) for pair in PAIRS)
    bench.begin(TURNED + steps, plate=PLATE, rotor="out")
    for pair in PAIRS:
        bench.take(f"{pair}-0", bench.pair(pair))
    leave_out(bench, [f"{pair}-30" for pair in PAIRS])
    found = bench.desk.now(bench.job)
    assert (found.verdict, found.not_run, found.without_result) == ("pass", (), ())


def test_what_was_not_tested_has_its_german():
    german = catalogue("de")
    assert [german.say(each) for each in (W, *RINGS[:1])] == [
        "Isolation an W1+W2-Gehäuse, Erde an U1+U2+V1+V2",
        "Widerstand an K-L",
    ]
