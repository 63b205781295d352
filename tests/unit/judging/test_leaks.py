"""Where insulation leaks: six paths, four readings, and nothing named that they leave open."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.judging.leaks import phase_limits, phase_of, where_low
from capture.model.testpoint import TestPoint
from capture.winding import Result, load_limits

OHMS = 5e6
PATHS = ("U", "V", "W", "UV", "UW", "VW")
SOMEWHERE = "insulation to the frame is low, and the readings do not tell in which phase"
FRAME = "insulation of phase {} to the frame is low"
BETWEEN = "insulation between the phases {} and {} is low"


def result(ohms, bound=None):
    return Result(value=ohms, unit="Ohm", formula="insulation-at-40", bound=bound)


def read(siemens):
    """Give what four tests show of six paths, each in parts of what the limit allows."""
    phases = {
        phase: result(OHMS / sum(each for path, each in siemens.items() if phase in path))
        for phase in "UVW"
    }
    return result(OHMS / sum(siemens[phase] for phase in "UVW")), phases


def words(path):
    return FRAME.format(path) if len(path) == 1 else BETWEEN.format(*path)


@given(st.fixed_dictionaries({path: st.floats(1e-3, 100.0) for path in PATHS}))
def test_no_place_is_named_that_does_not_leak(siemens):
    """Whatever the paths, a named one carries half of what the limit allows, at least."""
    for said in where_low(*read(siemens), OHMS):
        if said.endswith("is low"):
            (path,) = [path for path in PATHS if words(path) == said]
            assert siemens[path] >= 0.5 * (1 - 1e-9)
        elif said == SOMEWHERE:
            assert sum(siemens[phase] for phase in "UVW") >= 1 - 1e-9
        else:
            assert "no single place" in said


@given(st.sampled_from(PATHS), st.floats(2.0, 1000.0), st.floats(1e-4, 0.05))
def test_one_leak_in_a_sound_winding_is_named_and_nothing_else(path, leak, sound):
    siemens = dict.fromkeys(PATHS, sound) | {path: leak}
    assert where_low(*read(siemens), OHMS) == [words(path)]


@given(st.fixed_dictionaries({path: st.floats(1e-3, 0.33) for path in PATHS}))
def test_nothing_is_said_of_phases_that_are_enough(siemens):
    """Three paths of a third each are just what the limit allows."""
    assert where_low(*read(siemens), OHMS) == []


@pytest.mark.parametrize(
    ("leaks", "said"),
    [
        (("U", "W"), [FRAME.format("U"), FRAME.format("W")]),
        (("UV", "VW"), [BETWEEN.format("U", "V"), BETWEEN.format("V", "W")]),
        # The whole is low, and what V leaks to the frame could be U's as well.
        (("V", "UV"), [SOMEWHERE, BETWEEN.format("U", "V")]),
        (("U", "VW"), [SOMEWHERE]),
    ],
)
def test_of_two_leaks_is_said_what_the_readings_leave_no_other_way(leaks, said):
    siemens = dict.fromkeys(PATHS, 0.001) | dict.fromkeys(leaks, 4.0)
    assert where_low(*read(siemens), OHMS) == said


def test_a_winding_that_is_damp_all_over_points_to_no_single_place():
    said = where_low(*read(dict.fromkeys(PATHS, 0.4)), OHMS)
    assert said == [SOMEWHERE]
    between = where_low(*read(dict.fromkeys(PATHS, 0.3) | {"UV": 0.45}), OHMS)
    assert between == ["insulation of U, V is low, and the readings point to no single place"]


@pytest.mark.parametrize(
    ("whole", "phases", "says"),
    [
        (1e9, (1e9, 2e6, 1e9), "phase V reads less than the other readings leave room for"),
        (1e6, (1e9, 1e9, 1e9), "the whole reads less than the other readings leave room for"),
    ],
)
def test_what_six_paths_cannot_show_is_taken_again(whole, phases, says):
    found = dict(zip("UVW", map(result, phases), strict=True))
    (said,) = where_low(result(whole), found, OHMS)
    assert said.startswith(says)
    assert said.endswith("take them again")


def test_a_bound_says_what_it_leaves():
    """Above 100 GΩ to the frame leaves nothing there; below 1 MΩ is low whatever it is."""
    sound = result(100e9, "above")
    low = result(1e6, "below")
    found = where_low(sound, {"U": low, "V": low, "W": sound}, OHMS)
    assert found == [BETWEEN.format("U", "V")]
    # Above 1 MΩ is no number that a limit of 5 MΩ could be held against.
    unknown = result(1e6, "above")
    assert where_low(unknown, dict.fromkeys("UVW", unknown), OHMS) == []


def test_a_phase_that_was_not_tested_leaves_all_open():
    assert where_low(result(1e9), {"U": result(1e6), "V": result(1e6)}, OHMS) == []


@pytest.mark.parametrize(
    ("point", "phase"),
    [
        ("U1+U2-frame earth V1+V2+W1+W2", "U"),
        ("frame-V earth U+W", "V"),
        ("2W1+2W2-frame earth 2U1+2V1", "W"),
        ("U1+U2-frame earth V1+V2", None),
        ("U1+U2-frame guard V1+V2+W1+W2", None),
        ("U+V+W-frame", None),
        ("U-V earth W", None),
        ("K-frame earth L+M", None),
    ],
)
def test_which_tests_are_of_one_phase_against_all_else(point, phase):
    assert phase_of(TestPoint.parse(point)) == phase


def test_a_phase_may_have_to_keep_the_limit_once_or_twice():
    limits = {"random-wound": load_limits()["insulation-random"]}
    once, twice = phase_limits(limits).values()
    assert (once.value, twice.value) == (5e6, 10e6)
    assert twice.source.startswith("twice that of IEEE Std 43")
    assert "memory" in twice.confidence
    assert phase_limits({}) == {}
