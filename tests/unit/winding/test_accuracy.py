"""From specifications and scatter to standard uncertainties, against the guides' examples."""

import math

import numpy as np
import pytest
from uncertainties import ufloat

from capture.winding import (
    Measured,
    MissingReadingError,
    OutsideRangeError,
    accuracy_limits,
    combine,
    correct_resistance,
    effective_freedom,
    from_certificate,
    phase_resistances,
    rectangular,
    repeatability,
    resolution_only,
    triangular,
    u_shaped,
    unbalance,
)


def test_voltmeter_example():
    """JCGM 100:2008, 4.3.7: 14e-6 of 0.928571 V and 2e-6 of 1 V (printed 15 µV and 8.7 µV)."""
    limits = accuracy_limits(
        0.928571, percent_of_reading=14e-4, percent_of_range=2e-4, full_range=1
    )
    assert limits == pytest.approx(15.0e-6, abs=0.05e-6)
    assert rectangular(limits) == pytest.approx(8.66e-6, abs=0.05e-6)
    assert combine(12e-6, rectangular(limits)) == pytest.approx(14.80e-6, abs=0.01e-6)


def test_certificate_example():
    """JCGM 100:2008, 4.3.4: ±129 µΩ at 99 % are 50 µΩ (from memory, sure)."""
    assert from_certificate(129e-6, 2.58) == pytest.approx(50e-6, abs=0.1e-6)


def test_expansion_coefficient_example():
    """JCGM 100:2008, 4.3.7: ±0.40e-6 are 0.23e-6 (from memory, sure)."""
    assert rectangular(0.40e-6) == pytest.approx(0.2309e-6, abs=1e-10)


def test_counts():
    """0.02 % + 3 counts of 0.1 mΩ on 0.5 Ω (computed)."""
    limits = accuracy_limits(0.5, percent_of_reading=0.02, counts=3, resolution=1e-4)
    assert limits == pytest.approx(0.0004, abs=1e-8)
    assert rectangular(limits) == pytest.approx(0.00023094, abs=1e-8)
    assert 2 * rectangular(limits) == pytest.approx(0.00046188, abs=1e-8)


def test_other_shapes():
    """a/√6, a/√2, d/√12 (JCGM 100:2008, 4.3.9; computed)."""
    assert triangular(1) == pytest.approx(0.408248, abs=1e-6)
    assert u_shaped(1) == pytest.approx(0.707107, abs=1e-6)
    assert resolution_only(1) == pytest.approx(0.288675, abs=1e-6)
    assert rectangular(1.5) == pytest.approx(0.87, abs=0.005)  # a public page's example


def test_standard_resistor_calibration():
    """EA-4/02, S3: 10 kΩ by substitution; 10000.178 Ω, u 8.33 mΩ, U 17 mΩ (metrodata.de, S03).

    Parts from memory of the publication: standard 10000.053 ± 0.005 (k 2), drift 0.020 ± 0.010,
    temperatures ± 2.75 mΩ and ± 5.5 mΩ, comparator ± 1.0e-6 triangular, ratio u 0.07e-6.
    """
    standard = ufloat(10000.053, from_certificate(5e-3, 2))
    drift = ufloat(0.020, rectangular(10e-3))
    correction = ufloat(1.0, triangular(1.0e-6))
    ratio = ufloat(1.0000105, 0.07e-6)
    warm, cold = ufloat(0, rectangular(2.75e-3)), ufloat(0, rectangular(5.5e-3))
    found = (standard + drift + warm) * correction * ratio - cold
    assert found.nominal_value == pytest.approx(10000.178, abs=0.001)
    assert found.std_dev == pytest.approx(8.33e-3, abs=0.01e-3)
    assert round(2 * found.std_dev, 3) == 0.017


def test_repeatability_and_freedom():
    readings = [1.0, 1.2, 1.1, 1.3]
    assert repeatability(readings) == pytest.approx(np.std(readings, ddof=1) / 2)
    assert effective_freedom([(1.0, 5), (1.0, 5)]) == pytest.approx(10)
    assert effective_freedom([(1.0, 5), (0.0, 3)]) == pytest.approx(5)
    assert math.isinf(effective_freedom([(1.0, math.inf)]))
    with pytest.raises(MissingReadingError, match="scatter"):
        repeatability([1.0])


def test_a_specification_has_no_negative_part():
    with pytest.raises(OutsideRangeError):
        accuracy_limits(1, percent_of_reading=-1)


def test_star_phase_from_independent_pairs():
    """Each pair 0.1 mΩ: the phase 0.0866025 mΩ (computed, √3/2)."""
    pairs = [Measured(value=2.0, random=1e-4, id=name) for name in "abc"]
    solved = phase_resistances(*pairs, "star")
    assert solved.inputs == ("a", "b", "c")
    u = solved.results["U"].standard_uncertainty
    assert u == pytest.approx(0.0866025e-3, abs=1e-10)


def shared(value, chosen="1 Ω"):
    return Measured(value=value, gain=0.005, instrument="ohmmeter", range=chosen)


def test_shared_gain_cancels_in_unbalance_and_stays_in_absolute_values():
    pairs = [shared(2.0), shared(2.1), shared(2.1)]
    assert unbalance(pairs, "mean").uncertainty == pytest.approx(0, abs=1e-6)
    assert unbalance(pairs, "mean").notes == ()
    solved = phase_resistances(*pairs, "star").results
    assert solved["W"].standard_uncertainty == pytest.approx(1.1 * 0.005)
    corrected = correct_resistance(pairs[0], 20, 25, 234.5)
    assert corrected.standard_uncertainty == pytest.approx(corrected.value * 0.005)
    phases = unbalance(solved, "mean")
    assert phases.value == pytest.approx(6.4516, abs=1e-4)
    assert phases.uncertainty == pytest.approx(0, abs=1e-6)


def test_another_range_does_not_cancel_and_is_told():
    pairs = [shared(2.0), shared(2.1), shared(2.1, "10 Ω")]
    result = unbalance(pairs, "mean")
    assert result.standard_uncertainty > 0.2
    assert "one fixed range" in result.notes[0]


def test_balanced_set_never_reads_zero():
    """Mean of the largest |x − x̄| of three: above zero, below the one-sided 95 % bound."""
    rng = np.random.default_rng(17)
    floor = unbalance([Measured(value=100, random=1.0)] * 3, "mean").coverage.floor
    seen = [unbalance(100 + rng.standard_normal(3), "mean").value for _ in range(2000)]
    assert min(seen) > 0
    assert np.mean(np.array(seen) < floor) == pytest.approx(0.95, abs=0.015)


def test_monte_carlo_agrees_with_propagation_far_from_balance():
    """Where one reading stands out by many u, the figure is linear and both ways must agree."""
    result = unbalance([Measured(value=v, random=0.1) for v in (100.0, 100.0, 130.0)], "mean")
    a, b, c = (ufloat(v, 0.1) for v in (100.0, 100.0, 130.0))
    mean = (a + b + c) / 3
    linear = 100 * (c - mean) / mean
    assert result.standard_uncertainty == pytest.approx(linear.std_dev, rel=0.03)
    assert result.coverage.upper == pytest.approx(linear.n + 1.645 * linear.s, abs=0.2 * linear.s)
    assert result.coverage.lower == pytest.approx(linear.n - 1.645 * linear.s, abs=0.2 * linear.s)


def test_propagation_agrees_with_monte_carlo_for_a_chain():
    rng = np.random.default_rng(23)
    count = 200_000
    ohms = 0.5 + 2e-3 * rng.standard_normal(count)
    celsius = 20 + 0.6 * rng.standard_normal(count)
    drawn = ohms * (234.5 + 25) / (234.5 + celsius)
    result = correct_resistance(ufloat(0.5, 2e-3), ufloat(20, 0.6), 25, 234.5)
    assert result.standard_uncertainty == pytest.approx(drawn.std(), rel=0.01)


def test_the_same_readings_give_the_same_distribution():
    readings = [Measured(value=v, random=0.5) for v in (100.0, 101.0, 99.5)]
    assert unbalance(readings, "mean") == unbalance(readings, "mean")
