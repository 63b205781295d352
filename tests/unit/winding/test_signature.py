"""What open phases and open parallel paths read, by network algebra."""

import pytest

from capture.winding import (
    Bounded,
    ImpossibleSetError,
    OutsideRangeError,
    open_parallel_path,
    open_phase,
)

OPEN = Bounded(bound=1e6)


@pytest.mark.parametrize(
    ("readings", "phase"),
    [((OPEN, 2.0, OPEN), "U"), ((OPEN, OPEN, 2.0), "V"), ((2.0, OPEN, OPEN), "W")],
)
def test_open_star_phase(readings, phase):
    """Two pairs open, one twice a phase (computed)."""
    found = open_phase(*readings)
    assert (found.phase, found.connection) == (phase, "star")
    assert f"share {phase}" in found.statement


@pytest.mark.parametrize(
    ("readings", "phase"),
    [((2.0, 1.01, 1.0), "U"), ((1.0, 1.99, 1.0), "V"), ((1.0, 1.0, 2.02), "W")],
)
def test_open_delta_coil(readings, phase):
    """2R, R, R (computed); coil U lies between U and V, and so on."""
    found = open_phase(*readings)
    assert (found.phase, found.connection) == (phase, "delta")


def test_sound_winding_has_no_open_phase():
    assert open_phase(1.0, 1.02, 1.01).phase is None


def test_everything_open_names_no_phase():
    assert "leads are off" in open_phase(OPEN, OPEN, OPEN).statement


def test_one_open_pair_alone_is_impossible():
    with pytest.raises(ImpossibleSetError, match="V-W alone"):
        open_phase(1.0, OPEN, 1.0)


def test_a_bound_from_above_is_not_open():
    with pytest.raises(OutsideRangeError, match="U-V"):
        open_phase(Bounded(bound=1, side="below"), 1.0, 1.0)


def test_one_of_four_paths_open_in_star():
    """A phase of four paths with one open reads 4/3 (computed)."""
    found = open_parallel_path(1 + 1, 1 + 4 / 3, 4 / 3 + 1, "star", 4)
    assert found.phase == "W"
    assert (found.expected, found.open_paths) == (pytest.approx(4 / 3), 1)
    assert found.misfit == pytest.approx(0, abs=1e-9)


def test_one_of_two_paths_open_in_delta():
    """Coils 1, 1, 2 in delta: pairs 3/4, 3/4, 1 (computed)."""
    found = open_parallel_path(0.75, 0.75, 1.0, "delta", 2)
    assert (found.phase, found.open_paths) == ("W", 1)


def test_a_high_joint_is_no_open_path():
    found = open_parallel_path(2.0, 2.1, 2.1, "star", 4)
    assert found.phase is None
    assert "not that" in found.statement


def test_a_single_path_cannot_open_in_part():
    with pytest.raises(OutsideRangeError, match="open phase"):
        open_parallel_path(2, 2, 2, "star", 1)
