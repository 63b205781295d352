"""Check values of temperature correction, cooling curve and sub-ohm practice.

"computed": from the formula, in double precision, by hand outside this program.
"""

import math

import numpy as np
import pytest
from scipy import optimize
from uncertainties import ufloat

from capture.winding import (
    ImpossibleSetError,
    Measured,
    MissingReadingError,
    NotFiniteError,
    NotPositiveError,
    OutsideRangeError,
    correct_resistance,
    reference_check,
    reversed_current_resistance,
    settling_seconds,
    shutdown_delay,
    shutdown_resistance,
    temperature_from_resistance,
    temperature_rise,
    zero_check,
    zeroed_two_wire,
)


@pytest.mark.parametrize(
    ("k", "expected"),
    [(234.5, 0.863735), (235, 0.863692), (225, 0.864579)],  # computed
)
def test_resistance_at_25_degrees(k, expected):
    assert correct_resistance(0.8421, 18.5, 25, k).value == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("at", "to", "k", "factor"),
    [
        # computed
        (20, 25, 234.5, 1.019646),
        (20, 25, 235, 1.019608),
        (20, 25, 225, 1.020408),
        (25, 75, 234.5, 1.192678),
        (25, 75, 235, 1.192308),
        (25, 75, 225, 1.200000),
        (25, 95, 234.5, 1.269750),
        (25, 95, 235, 1.269231),
        (25, 95, 225, 1.280000),
        (25, 115, 234.5, 1.346821),
        (25, 115, 235, 1.346154),
        (25, 115, 225, 1.360000),
        (25, 130, 234.5, 1.404624),
        (25, 135, 234.5, 1.423892),
    ],
)
def test_factors_between_reference_temperatures(at, to, k, factor):
    assert correct_resistance(1.0, at, to, k).value == pytest.approx(factor, abs=1e-6)


@pytest.mark.parametrize(
    ("to", "factor"),
    # A correction-factor table for copper, base 25 °C, on a stored public page without address.
    [(40, 1.058), (50, 1.096), (75, 1.193), (100, 1.289), (125, 1.385), (150, 1.482), (200, 1.674)],
)
def test_published_copper_table(to, factor):
    assert correct_resistance(1.0, 25, to, 234.5).value == pytest.approx(factor, abs=0.001)


@pytest.mark.parametrize(("k", "hot"), [(234.5, 96.35), (235, 96.50), (225, 93.50)])  # computed
def test_temperature_of_the_hot_winding(k, hot):
    assert temperature_from_resistance(1.0, 1.3, 20, k).value == pytest.approx(hot, abs=1e-9)


@pytest.mark.parametrize(("k", "rise"), [(235, 71.50), (234.5, 71.35), (225, 68.50)])  # computed
def test_temperature_rise(k, rise):
    result = temperature_rise(1.0, 1.3, 20, 25, k)
    assert result.value == pytest.approx(rise, abs=1e-6)
    assert result.unit == "K"
    assert result.constants["zero_resistance_celsius"] == k


def test_temperature_dominates_the_uncertainty_of_the_corrected_value():
    """0.50214 Ω at 20 ± 1 °C (rectangular) to 25 °C: 0.512005 Ω, U 0.002373 Ω (computed)."""
    # 0.02 % + 3 counts of 0.1 mΩ on 0.5 Ω, divided by √3; scatter of the mean 0.05 mΩ
    spec = math.hypot(0.00023094, 0.00005)
    ohms = ufloat(0.512005 * 254.5 / 259.5, spec)
    result = correct_resistance(ohms, ufloat(20, 1 / math.sqrt(3)), 25, 234.5)
    assert result.value == pytest.approx(0.512005, abs=1e-6)
    by_hand = 0.512005 * math.hypot(spec / ohms.nominal_value, 1 / math.sqrt(3) / 254.5)
    assert result.uncertainty == pytest.approx(2 * by_hand, rel=1e-6)
    assert result.uncertainty == pytest.approx(0.002373, abs=2e-6)  # computed
    assert result.coverage_factor == 2


@pytest.mark.parametrize(("celsius", "per_cent"), [(25, 0.2225), (20, 0.2269)])  # computed
def test_one_degree_of_doubt(celsius, per_cent):
    at = ufloat(celsius, 1 / math.sqrt(3))
    result = correct_resistance(1.0, at, celsius, 234.5)
    assert 100 * result.standard_uncertainty == pytest.approx(per_cent, abs=5e-5)


@pytest.mark.parametrize(
    ("arguments", "culprit"),
    [
        ((1, -51, 25, 234.5), "winding temperature"),
        ((1, 20, 251, 234.5), "reference temperature"),
        ((1, 20, 25, 0.00393), "zero_resistance_celsius"),
        ((1, 20, 25, -234.5), "zero_resistance_celsius"),
    ],
)
def test_temperatures_outside_the_formula(arguments, culprit):
    with pytest.raises(OutsideRangeError, match=culprit):
        correct_resistance(*arguments)


def test_bad_resistance_is_named():
    with pytest.raises(NotPositiveError, match="resistance is 0"):
        correct_resistance(0, 20, 25, 235)
    with pytest.raises(NotFiniteError, match="cold temperature"):
        temperature_rise(1, 2, math.nan, 25, 235)
    with pytest.raises(NotPositiveError, match="hot resistance"):
        temperature_from_resistance(1, -2, 20, 235)


@pytest.mark.parametrize(("kilowatts", "seconds"), [(50, 30), (50.1, 90), (200, 90), (5000, 120)])
def test_permitted_delay(kilowatts, seconds):
    """IEC 60034-1, from memory, medium."""
    assert shutdown_delay(kilowatts).value == seconds


def test_no_tabulated_delay_above_five_megawatts():
    with pytest.raises(OutsideRangeError, match="by agreement"):
        shutdown_delay(5001)


def test_cooling_curve_goes_back_to_the_delay():
    """A pure exponential is a straight line on the log axis, so the answer is exact."""
    times = [45, 60, 120, 180]
    ohms = [1.3 * math.exp(-time / 4000) for time in times]
    result = shutdown_resistance(times, ohms, 30)
    assert result.value == pytest.approx(1.3 * math.exp(-30 / 4000), rel=1e-12)


@pytest.mark.parametrize("degree", [1, 2])
def test_cooling_curve_against_the_optimiser(degree):
    rng = np.random.default_rng(3)
    times = np.arange(40.0, 400, 30)
    ohms = 1 + 0.3 * np.exp(-times / 600) + 1e-4 * rng.standard_normal(times.size)
    powers = np.vander(times - 30, degree + 1, increasing=True)
    found = optimize.least_squares(
        lambda p: np.log(ohms) - powers @ p,
        np.zeros(degree + 1),
        x_scale=1 / np.abs(powers).max(axis=0),
        xtol=1e-15,
        ftol=1e-15,
        gtol=1e-15,
    )
    result = shutdown_resistance(times, ohms, 30, degree=degree)
    assert result.value == pytest.approx(math.exp(found.x[0]), rel=1e-7)
    if degree == 2:
        assert abs(result.value - (1 + 0.3 * math.exp(-30 / 600))) < 2 * result.uncertainty


def test_cooling_curve_refuses_what_it_cannot_use():
    with pytest.raises(MissingReadingError, match="reading 2"):
        shutdown_resistance([40], [1.3], 30)
    with pytest.raises(MissingReadingError, match="one time a reading"):
        shutdown_resistance([40, 50], [1.3], 30)
    with pytest.raises(ImpossibleSetError, match="same time"):
        shutdown_resistance([40, 40], [1.3, 1.2], 30)
    with pytest.raises(OutsideRangeError, match="delay"):
        shutdown_resistance([40, 80], [1.3, 1.2], 90)
    with pytest.raises(NotPositiveError, match="resistance 2"):
        shutdown_resistance([40, 80], [1.3, 0], 30)
    assert "scatter" in shutdown_resistance([40, 80], [1.3, 1.2], 30).notes[0]


def test_reversed_current_frees_the_resistance_of_thermal_emf():
    """2.05 and −1.95 mV at 10 mA: 0.200 Ω and 0.05 mV; one polarity alone 0.205 (computed)."""
    both = reversed_current_resistance(2.05e-3, -1.95e-3, 10e-3)
    assert both.value == pytest.approx(0.200, abs=1e-9)
    assert both.emf.value == pytest.approx(0.05e-3, abs=1e-12)
    assert pytest.approx(0.205) == 2.05e-3 / 10e-3


def test_reversed_current_wants_the_sign():
    with pytest.raises(NotPositiveError, match="sign"):
        reversed_current_resistance(2.05e-3, 2.1e-3, 10e-3)
    with pytest.raises(NotPositiveError, match="current"):
        reversed_current_resistance(2.05e-3, -2.1e-3, 0)


def test_zeroed_two_wire():
    """A 0.1 Ω part read through 0.1 Ω of leads shows 0.2 Ω (probsee.com, four-terminal sensing)."""
    result = zeroed_two_wire(
        Measured(value=0.2, random=3e-4, id="r1"), Measured(value=0.1, random=4e-4, id="r2")
    )
    assert result.value == pytest.approx(0.1)
    assert result.standard_uncertainty == pytest.approx(5e-4)
    assert result.inputs == ("r1", "r2")
    assert "contacts" in result.notes[0]


def test_leads_cannot_read_more_than_the_winding():
    with pytest.raises(NotPositiveError, match="less shorted leads"):
        zeroed_two_wire(0.1, 0.1)


def test_reference_before_and_after():
    assert reference_check(1.0001, 0.9999, 1.0, 5e-4).holds
    off = reference_check(1.0001, 1.0020, 1.0, 5e-4)
    assert not off.holds
    assert off.drift == pytest.approx(0.0019)
    assert "in doubt" in off.statement


def test_drift_counts_even_within_tolerance_of_the_reference():
    assert not reference_check(0.9996, 1.0004, 1.0, 5e-4).holds


def test_zero_before_and_after():
    assert zero_check(0.0001, -0.0001, 3e-4).holds
    assert not zero_check(0.0001, 0.0101, 3e-4).holds


def test_settling():
    """0.1 H and 0.5 Ω: τ 0.2 s, within 0.1 % after 1.3816 s (computed)."""
    assert settling_seconds(0.1, 0.5, 0.001).value == pytest.approx(1.3816, abs=1e-4)
    with pytest.raises(OutsideRangeError):
        settling_seconds(0.1, 0.5, 1)


@pytest.mark.parametrize(("share", "factor"), [(0.01, 4.605), (0.001, 6.908), (1e-4, 9.210)])
def test_settling_in_time_constants(share, factor):
    """Computed: natural logarithms."""
    assert settling_seconds(1, 1, share).value == pytest.approx(factor, abs=5e-4)
