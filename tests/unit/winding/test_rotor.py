"""What the rotor does to the pairs: ideal salient rotors, cage ripple, stator faults behind either."""

import numpy as np
import pytest
from scipy import optimize

from capture.winding import (
    MissingReadingError,
    NotPositiveError,
    OutsideRangeError,
    UnknownChoiceError,
    rotor_influence,
)

SHIFTS = (0.0, 120.0, -120.0)  # of the pairs, in 2θ


def salient(electrical, ld=2e-3, lq=3e-3):
    turn = 2 * np.deg2rad(electrical)
    return [(ld + lq) + (lq - ld) * np.cos(turn + np.deg2rad(shift)) for shift in SHIFTS]


@pytest.mark.parametrize(
    ("pole_pairs", "kind", "period"),
    [(1, "mechanical", 180), (3, "mechanical", 60), (3, "electrical", 180)],
)
def test_ideal_salient_rotor(pole_pairs, kind, period):
    """Ld 2 mH, Lq 3 mH (computed): mean of the pairs Ld + Lq at any angle, no unbalance left."""
    angles = np.linspace(0, period, 12, endpoint=False)
    electrical = angles * (pole_pairs if kind == "mechanical" else 1)
    found = rotor_influence(angles, *salient(electrical), pole_pairs, kind)
    assert found.kind == "salient"
    assert (found.direct, found.quadrature) == pytest.approx((2e-3, 3e-3))
    assert found.mean_of_pairs.value == pytest.approx(5e-3)
    assert found.value == pytest.approx(0, abs=1e-9)
    assert found.notes == ()


def test_one_angle_of_the_ideal_rotor_shows_what_turning_removes():
    """At angle 0 the pairs are 6.0, 4.5 and 4.5 mH (computed)."""
    assert [pair[0] for pair in salient(np.array([0.0]))] == pytest.approx([6e-3, 4.5e-3, 4.5e-3])


def test_fit_against_the_optimiser():
    rng = np.random.default_rng(5)
    angles = np.sort(rng.uniform(0, 180, 15))
    pairs = [values + 2e-5 * rng.standard_normal(15) for values in salient(angles)]
    found = rotor_influence(angles, *pairs, 1, "electrical")
    turn = 2 * np.deg2rad(angles)
    for values, curve in zip(pairs, found.pairs.values(), strict=True):
        fit = optimize.least_squares(
            lambda p, values=values: 1e3 * (values - p[0] - p[1] * np.cos(turn - p[2])),
            [5e-3, 1e-3, np.deg2rad(curve.phase_degrees) + 0.1],
            x_scale=[1e-3, 1e-3, 1],
            xtol=1e-14,
            ftol=1e-14,
            gtol=1e-14,
        )
        assert curve.mean == pytest.approx(fit.x[0], rel=1e-6)
        assert curve.amplitude == pytest.approx(abs(fit.x[1]), rel=1e-5)


def test_stator_fault_stands_out_of_the_rotor():
    """One pair low at every angle: the rest of the unbalance is in the stator."""
    angles = np.arange(0, 180, 15)
    uv, vw, wu = salient(angles)
    found = rotor_influence(angles, 0.9 * uv, vw, wu, 1, "electrical")
    means = [curve.mean for curve in found.pairs.values()]
    assert means == pytest.approx([4.5e-3, 5e-3, 5e-3])
    assert found.value == pytest.approx(100 * (14.5 / 3 - 4.5) / (14.5 / 3))


def test_cage_ripple_is_no_sinusoid():
    angles = np.arange(0, 180, 12)
    slots = 5e-3 + 5e-5 * np.cos(np.deg2rad(9 * angles))
    found = rotor_influence(angles, slots, slots, slots, 1, "electrical")
    assert found.kind == "ripple"
    assert found.direct is None
    assert "ripple" in found.notes[0]


def test_wrong_order_of_curves_is_told():
    angles = np.arange(0, 180, 15)
    uv, vw, wu = salient(angles)
    assert "120°" in rotor_influence(angles, uv, uv, wu, 1, "electrical").notes[0]
    flat = 5e-3 + 0.1 * (vw - 5e-3)
    assert "unequally" in rotor_influence(angles, uv, flat, wu, 1, "electrical").notes[0]


def test_angles_must_cover_a_period():
    angles = np.linspace(0, 60, 8)
    with pytest.raises(OutsideRangeError, match="spread"):
        rotor_influence(angles, *salient(angles), 1, "electrical")
    with pytest.raises(OutsideRangeError, match="spread"):
        # One mechanical turn in quarters of a four-pole machine: twice the same two angles.
        rotor_influence([0, 90, 180, 270, 360], *[[1] * 5] * 3, 2, "mechanical")


def test_rotor_input_is_checked():
    angles = np.arange(0, 180, 15)
    uv, vw, wu = salient(angles)
    with pytest.raises(MissingReadingError, match="V-W"):
        rotor_influence(angles, uv, vw[:-1], wu, 1, "electrical")
    with pytest.raises(NotPositiveError, match="W-U at angle 3"):
        rotor_influence(angles, uv, vw, [*wu[:2], 0.0, *wu[3:]], 1, "electrical")
    with pytest.raises(UnknownChoiceError, match="mechanical, electrical"):
        rotor_influence(angles, uv, vw, wu, 1, "gradians")
    with pytest.raises(OutsideRangeError, match="pole pair"):
        rotor_influence(angles, uv, vw, wu, 0, "electrical")
    with pytest.raises(MissingReadingError, match="angle 5"):
        rotor_influence(angles[:4], uv[:4], vw[:4], wu[:4], 1, "electrical")
