"""The edges of the rotor's share: few angles, uneven swings, curves that do not stand 120° apart."""

import numpy as np
import pytest

from capture.winding import NotFiniteError, OutsideRangeError, rotor_influence

ANGLES = np.arange(0, 180, 15)


def swing(phase, amplitude=1e-3, angles=ANGLES):
    return 5e-3 + amplitude * np.cos(np.deg2rad(2 * np.asarray(angles) - phase))


def test_five_angles_at_three_places_of_the_period_are_enough():
    """Three parameters from three places, each 60 electrical degrees on (any textbook)."""
    angles = [0, 60, 120, 180, 240]
    pairs = [swing(phase, angles=angles) for phase in (0, 120, 240)]
    found = rotor_influence(angles, *pairs, 1, "electrical")
    assert found.kind == "salient"
    # Ld + Lq is the mean, Lq − Ld the amplitude: 2 and 3 mH (computed)
    assert (found.direct, found.quadrature) == pytest.approx((2e-3, 3e-3))


def test_an_angle_that_is_no_number_is_called_by_its_place():
    with pytest.raises(NotFiniteError, match=r"^angle 1 is nan"):
        rotor_influence([np.nan, *ANGLES[1:]], *[swing(0)] * 3, 1, "electrical")


def test_whole_turns_are_one_place_however_many():
    turns = 360.0 * np.array([0, 36, 72, 108, 144])
    with pytest.raises(OutsideRangeError, match="widest gap is 180 electrical"):
        rotor_influence(turns, *[[5e-3] * 5] * 3, 1, "mechanical")


def test_one_pair_without_a_sinusoid_makes_no_salient_rotor():
    ripple = 5e-3 + 1e-4 * np.where(np.arange(12) % 2, -1.0, 1.0)
    found = rotor_influence(ANGLES, swing(0), swing(120), ripple, 1, "electrical")
    assert (found.kind, found.direct, found.quadrature) == ("ripple", None, None)


@pytest.mark.parametrize(
    ("third", "told"), [(220.5, False), (219.5, True), (259.5, False), (260.5, True)]
)
def test_curves_twenty_degrees_out_of_place_are_told(third, told):
    """Gaps of 120°, 120° − x and 120° + x (computed); 20° is common practice, no source."""
    found = rotor_influence(ANGLES, swing(0), swing(120), swing(third), 1, "electrical")
    assert any("not 120° apart" in note for note in found.notes) is told


@pytest.mark.parametrize(("times", "told"), [(1.45, False), (1.55, True)])
def test_swings_half_as_large_again_are_told(times, told):
    """Common practice, no source."""
    found = rotor_influence(ANGLES, swing(0), swing(120), swing(240, times * 1e-3), 1, "electrical")
    assert any("unequally" in note for note in found.notes) is told
