"""Check values of series and parallel model, impedance, and balance of inductances."""

import math

import numpy as np
import pytest
from uncertainties import correlated_values, correlation_matrix

from capture.winding import (
    InductanceReading,
    Measured,
    MissingReadingError,
    MixedConditionsError,
    NotPositiveError,
    OutsideRangeError,
    UnknownChoiceError,
    impedance,
    impedance_from_readings,
    inductance_balance,
    ohms_from_quality,
    series_from_magnitude,
    series_parallel,
)


def test_impedance_check_value():
    """10 mH, 10 Ω, 1 kHz (computed)."""
    z = impedance(10e-3, 10, 1000)
    assert z.reactance.value == pytest.approx(62.83185, rel=1e-6)
    assert z.magnitude.value == pytest.approx(63.62265, rel=1e-6)
    assert z.degrees.value == pytest.approx(80.95694, rel=1e-6)
    assert z.quality.value == pytest.approx(6.283185, rel=1e-6)
    assert z.loss.value == pytest.approx(0.159155, rel=1e-5)


def test_series_to_parallel_and_back():
    """10 mH, 10 Ω, 1 kHz (computed)."""
    there = series_parallel(10e-3, 10, 1000, "series")
    assert there.parallel_henries.value == pytest.approx(10.253303e-3, rel=1e-6)
    assert there.parallel_ohms.value == pytest.approx(404.78418, rel=1e-6)
    back = series_parallel(
        there.parallel_henries.value, there.parallel_ohms.value, 1000, "parallel"
    )
    assert back.series_henries.value == pytest.approx(10e-3, rel=1e-12)
    assert back.series_ohms.value == pytest.approx(10, rel=1e-12)


def test_parallel_to_series():
    """100 mH, 1000 Ω parallel, 1 kHz (computed)."""
    both = series_parallel(100e-3, 1000, 1000, "parallel")
    assert both.quality.value == pytest.approx(1.591549, rel=1e-6)
    assert both.series_henries.value == pytest.approx(71.69568e-3, rel=1e-6)
    assert both.series_ohms.value == pytest.approx(283.0432, rel=1e-6)


def test_published_conversion():
    """Inputs of wcalc.sourceforge.net/sci-man/parallel_rl_s2p.html; the outputs computed."""
    both = series_parallel(10e-9, 0.5, 100e6, "series")
    assert both.quality.value == pytest.approx(12.56637, rel=1e-6)
    assert both.parallel_henries.value == pytest.approx(10.063326e-9, rel=1e-6)
    assert both.parallel_ohms.value == pytest.approx(79.45684, rel=1e-6)


def test_simultaneous_readings_of_resistance_and_reactance():
    """JCGM 100:2008, H.2: five simultaneous observations (from memory; their means check)."""
    observed = np.array(
        [
            [5.007, 4.994, 5.005, 4.990, 4.999],
            [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
            [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
        ]
    )
    means = observed.mean(axis=1)
    assert means == pytest.approx([4.9990, 19.6610e-3, 1.04446], abs=1e-7)
    volts, amperes, radians = correlated_values(means, np.cov(observed) / 5)
    z = impedance_from_readings(volts, amperes, radians)
    assert z.ohms.value == pytest.approx(127.732, abs=0.001)
    assert z.reactance.value == pytest.approx(219.847, abs=0.001)
    assert z.magnitude.value == pytest.approx(254.260, abs=0.001)
    assert z.degrees.value == pytest.approx(59.843, abs=0.001)
    assert z.ohms.standard_uncertainty == pytest.approx(0.071, abs=0.0005)
    assert z.reactance.standard_uncertainty == pytest.approx(0.295, abs=0.001)  # cut, not rounded
    assert z.magnitude.standard_uncertainty == pytest.approx(0.236, abs=0.0005)
    table = correlation_matrix([z.ohms.variable, z.reactance.variable, z.magnitude.variable])
    assert table[0][1] == pytest.approx(-0.588, abs=0.0005)
    assert table[0][2] == pytest.approx(-0.485, abs=0.0005)
    assert table[1][2] == pytest.approx(0.993, abs=0.0005)


def test_resistance_behind_quality_and_angle():
    """10 mH, 10 Ω, 1 kHz: Q 6.283185, |Z| 63.62265 Ω at 80.95694° (computed)."""
    assert ohms_from_quality(10e-3, 6.283185, 1000, "series") == pytest.approx(10, rel=1e-6)
    parallel = ohms_from_quality(10.253303e-3, 6.283185, 1000, "parallel")
    assert parallel == pytest.approx(404.78418, rel=1e-6)
    henries, ohms = series_from_magnitude(63.62265, 80.95694, 1000)
    assert henries == pytest.approx(10e-3, rel=1e-6)
    assert ohms == pytest.approx(10, rel=1e-5)
    with pytest.raises(OutsideRangeError, match="angle"):
        series_from_magnitude(60, -80, 1000)
    with pytest.raises(UnknownChoiceError, match="model"):
        ohms_from_quality(1, 1, 1, "both")


def test_impedance_names_the_culprit():
    with pytest.raises(NotPositiveError, match="frequency"):
        impedance(1, 1, 0)
    with pytest.raises(NotPositiveError, match="inductance"):
        series_parallel(-1, 1, 50, "series")
    with pytest.raises(UnknownChoiceError, match="series, parallel"):
        series_parallel(1, 1, 50, "both")
    with pytest.raises(NotPositiveError, match="current"):
        impedance_from_readings(1, 0, 1)


def reading(henries, ohms=10.0, **changed):
    return InductanceReading(henries=henries, ohms=ohms, hertz=1000, **changed)


def test_balance_of_pair_inductances():
    """An ideal salient rotor of Ld 2 mH, Lq 3 mH at angle 0 (computed)."""
    pairs = {"U-V": reading(6e-3), "V-W": reading(4.5e-3), "W-U": reading(4.5e-3)}
    balance = inductance_balance(pairs, "mean")
    assert balance.inductance.value == pytest.approx(20, abs=1e-9)
    assert balance.inductance.formula == "inductance-unbalance-mean"
    assert balance.resistance.value == 0
    angles = [math.degrees(math.atan2(2000 * math.pi * h, 10)) for h in (6e-3, 4.5e-3, 4.5e-3)]
    mean = sum(angles) / 3
    assert balance.degrees.value == pytest.approx(max(abs(a - mean) for a in angles))
    assert "rotor" in balance.notes[0]


def test_rotor_out_needs_no_caution():
    pairs = {name: reading(5e-3, rotor="out") for name in ("U-V", "V-W", "W-U")}
    assert inductance_balance(pairs, "mean").notes == ()


def test_angle_does_not_depend_on_the_model():
    series = series_parallel(6e-3, 10, 1000, "series")
    pairs = {
        name: reading(series.parallel_henries.value, series.parallel_ohms.value, model="parallel")
        for name in ("U-V", "V-W", "W-U")
    }
    assert inductance_balance(pairs, "mean").degrees.value == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("changed", [{"model": "parallel"}, {"volts": 1.0}, {"rotor": "in"}])
def test_mixed_conditions_are_refused(changed):
    pairs = {"U-V": reading(6e-3), "V-W": reading(5e-3, **changed), "W-U": reading(5e-3)}
    with pytest.raises(MixedConditionsError, match=f"V-W.*{next(iter(changed))}"):
        inductance_balance(pairs, "mean")


def test_mixed_frequencies_are_refused():
    pairs = {"U-V": reading(6e-3), "V-W": reading(5e-3)}
    pairs["W-U"] = InductanceReading(henries=5e-3, ohms=10, hertz=120)
    with pytest.raises(MixedConditionsError, match="W-U was read with hertz 120"):
        inductance_balance(pairs, "mean")


def test_a_missing_pair_is_named():
    with pytest.raises(MissingReadingError, match="V-W"):
        inductance_balance({"U-V": reading(1e-3), "W-U": reading(1e-3)}, "mean")


def test_another_range_between_pairs_is_told():
    ranges = {"U-V": "10 mH", "V-W": "10 mH", "W-U": "100 mH"}
    pairs = {
        name: reading(Measured(value=9e-3, gain=1e-3, instrument="bridge", range=chosen))
        for name, chosen in ranges.items()
    }
    balance = inductance_balance(pairs, "mean")
    assert any("one fixed range" in note for note in balance.notes)


def test_six_free_ends_are_compared_phase_by_phase():
    """Of 10, 9 and 11 mH the mean is 10; up to now a set of ends was refused for want of U-V."""
    readings = {
        f"{phase}1-{phase}2": InductanceReading(henries=henries, ohms=1.0, hertz=1000, rotor="out")
        for phase, henries in (("U", 10e-3), ("V", 9e-3), ("W", 11e-3))
    }
    assert inductance_balance(readings, "mean").inductance.value == pytest.approx(10)
    del readings["V1-V2"]
    with pytest.raises(MissingReadingError, match="V1-V2"):
        inductance_balance(readings, "mean")
