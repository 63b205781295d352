"""The edges of the absorption curve: what is off it, what is kept, and where the search ends.

"computed": from the formula, by hand outside this program.
"""

import numpy as np
import pytest
from scipy import optimize

from capture.winding import (
    Bounded,
    MissingReadingError,
    NotFiniteError,
    OutsideRangeError,
    absorption_ratio,
    insulation_curve,
    polarization_index,
    resistance_at,
)

SECONDS = np.array([5, 10, 15, 20, 30, 45, 60, 90, 120, 180, 240, 300, 420, 600], dtype=float)


def curve(t, leakage, absorption, exponent):
    return 1 / (leakage + absorption * (np.asarray(t) / 60) ** -exponent)


def test_a_ratio_without_uncertainty_has_none_and_says_its_unit():
    for result in (absorption_ratio([30, 60], [1e8, 2e8]), polarization_index([60, 600], [1, 2])):
        assert (result.unit, result.uncertainty, result.coverage_factor) == ("1", None, None)
    # U = 2·ratio·u·√2: two readings of equal relative u, independent (JCGM 100:2008, 5.1.6)
    known = absorption_ratio([30, 60], [1e8, 2e8], relative_uncertainty=0.01)
    assert (known.uncertainty, known.coverage_factor) == (pytest.approx(2 * 2 * 0.01 * 2**0.5), 2)


def test_any_time_after_the_start_is_early_enough():
    assert absorption_ratio([0.5, 10], [1e8, 3e8], early=0.5, late=10).value == pytest.approx(3)
    with pytest.raises(OutsideRangeError):
        absorption_ratio([1, 10], [1e8, 3e8], early=-1, late=10)


def test_the_nearest_of_three_before_counts():
    """A power of time between 58 and 62 s; what stands farther off is no power (computed)."""
    times = [55, 56, 58, 62]
    assert resistance_at(times, [1.0, 5.0, 58**0.5, 62**0.5], 60) == pytest.approx(60**0.5)


def test_a_missing_reading_at_the_time_itself_is_none():
    with pytest.raises(MissingReadingError, match="60 s"):
        resistance_at([58, 60], [1e9, None], 60)


def test_a_bound_is_a_number():
    with pytest.raises(NotFiniteError, match="bound at 60 s"):
        resistance_at([60, 600], [Bounded(bound=float("nan")), 1e9], 600)


@pytest.mark.parametrize("exponent", [0.1, 0.12, 0.15, 1.95, 2.0])
def test_a_clean_curve_is_found_at_both_ends_of_the_search(exponent):
    """Curie and von Schweidler: exponents from 0.1 to 2 are looked for."""
    found = insulation_curve(SECONDS, curve(SECONDS, 1e-9, 4e-9, exponent))
    assert found.exponent == pytest.approx(exponent, abs=1e-4)


@pytest.mark.parametrize(("exponent", "end"), [(0.05, 0.1), (2.3, 2.0)])
def test_no_exponent_beyond_the_ends_is_given(exponent, end):
    found = insulation_curve(SECONDS, curve(SECONDS, 0, 4e-9, exponent))
    assert found.exponent == pytest.approx(end, abs=1e-6)


def test_readings_that_fall_have_leakage_alone():
    """Least squares of r·g − 1 over g alone: g = Σr/Σr² (normal equation, by hand)."""
    ohms = np.where(SECONDS < 70, 1.01e9, 0.99e9)
    found = insulation_curve(SECONDS, ohms)
    assert found.leakage_siemens == pytest.approx(ohms.sum() / (ohms @ ohms), rel=1e-9)
    assert found.absorption_siemens == 0
    assert found.scatter == pytest.approx(0.01, rel=1e-2)


@pytest.mark.parametrize(("off", "named"), [(0.0105, True), (0.0095, False), (-0.0105, True)])
def test_a_reading_one_per_cent_off_a_clean_curve_is_named(off, named):
    """Common practice, no source: less than one per cent is rounding, however clean the rest."""
    ohms = curve(SECONDS, 1e-9, 4e-9, 0.8)
    ohms[6] *= 1 + off
    found = insulation_curve(SECONDS, ohms)
    assert found.exponent == pytest.approx(0.8, abs=1e-4)
    said = {"reading at 60 s": f"{100 * off:+.0f} % off the curve, given no weight"}
    assert found.set_aside == (said if named else {})
    assert found.scatter < 1e-6


MANY = np.geomspace(5, 600, 96)


def alternating(outlier):
    """Readings one way and the other off a curve by the same share, one of them by a multiple."""
    d = 0.004
    sign = np.where(np.arange(MANY.size) // 2 % 2, -1.0, 1.0)
    off = d * sign
    off[49] = outlier * d
    return curve(MANY, 1e-9, 4e-9, 0.8) * (1 + off), f"reading at {MANY[49]:g} s"


@pytest.mark.parametrize(("scales", "named"), [(6.3, True), (5.7, False)])
def test_six_standard_deviations_are_off_the_curve(scales, named):
    """For ± d the median of |residual| is d, so σ is 1.4826·d (1/Φ⁻¹(0.75), any table)."""
    ohms, name = alternating(scales * 1.4826)
    found = insulation_curve(MANY, ohms)
    assert (name in found.set_aside) is named
    assert len(found.set_aside) == named
    assert found.exponent == pytest.approx(0.8, abs=0.01)
    # What is far off has no part in the scatter: the others are each d off.
    assert found.scatter == pytest.approx(0.004, rel=0.02)


def test_readings_off_by_more_than_their_weight_allows_leave_the_scatter():
    """3·σ off is kept with less weight (Huber), so it is neither named nor in the scatter."""
    ohms, _ = alternating(3 * 1.4826)
    found = insulation_curve(MANY, ohms)
    assert found.set_aside == {}
    assert found.scatter == pytest.approx(0.004, rel=0.02)


def test_a_reading_given_no_weight_changes_nothing():
    """The others make the same curve as if it had never been read."""
    ohms, name = alternating(120)
    found = insulation_curve(MANY, ohms)
    assert list(found.set_aside) == [name]
    without = insulation_curve(MANY, [None if i == 49 else one for i, one in enumerate(ohms)])
    assert found.exponent == pytest.approx(without.exponent, rel=1e-7)
    assert found.leakage_siemens == pytest.approx(without.leakage_siemens, rel=1e-6)
    assert found.absorption_siemens == pytest.approx(without.absorption_siemens, rel=1e-6)


def test_weights_are_those_of_huber():
    """Another program's minimum of Huber's loss, its limit 1.345 σ with σ from the median.

    1.345: 95 % efficient on normal noise (P. J. Huber, Robust Statistics; from memory).
    """
    rng = np.random.default_rng(21)
    noise = 0.01 * rng.laplace(size=MANY.size)
    ohms = curve(MANY, 1e-9, 4e-9, 0.8) * (1 + np.clip(noise, -0.04, 0.04))
    found = insulation_curve(MANY, ohms)
    assert found.set_aside == {}

    def residual(p):
        return ohms * 1e-9 * (p[0] + p[1] * (MANY / 60) ** -p[2]) - 1

    at, scale = np.array([1.0, 4.0, 0.8]), 0.01
    for _ in range(60):
        at = optimize.least_squares(
            residual, at, loss="huber", f_scale=1.345 * scale, xtol=1e-15, ftol=1e-15, gtol=1e-15
        ).x
        scale = np.median(np.abs(residual(at))) / 0.6744897501960817
    assert found.exponent == pytest.approx(at[2], rel=2e-4)
    assert found.leakage_siemens == pytest.approx(1e-9 * at[0], rel=2e-4)
    assert found.absorption_siemens == pytest.approx(1e-9 * at[1], rel=2e-4)
