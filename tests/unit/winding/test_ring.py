"""Check values of the ring's formulae, of area comparison and of the printed voltage levels."""

import math

import numpy as np
import pytest

from capture.winding import (
    ImpossibleSetError,
    MissingReadingError,
    NotPositiveError,
    OutsideRangeError,
    direct_voltage_level,
    frequency_shift,
    impulse_level,
    power_frequency_level,
    ring,
    surge_unit,
    turn_impulse_level,
    waveform_difference,
)


def test_ring_check_value():
    """10 mH, 100 nF, 40 Ω (computed)."""
    found = ring(10e-3, 100e-9, 40)
    assert found.undamped_hertz == pytest.approx(5032.921, rel=1e-6)
    assert found.hertz == pytest.approx(5022.845, rel=1e-6)
    assert found.envelope_seconds == pytest.approx(0.5e-3)
    assert found.current_seconds == pytest.approx(0.25e-3)
    assert found.damping == pytest.approx(0.0632456, rel=1e-5)
    assert found.quality == pytest.approx(1 / (2 * 0.0632456), rel=1e-5)
    assert found.decrement == pytest.approx(0.398181, rel=1e-5)
    assert found.peak_ratio == pytest.approx(0.671541, rel=1e-5)


def test_fifty_cycles_of_a_textbook_circuit():
    """220 mH, 12 µF: 50 cycles last 0.5104 s, 8.66 mΩ leave 99 % (coursehero ch31-p025)."""
    found = ring(0.220, 12e-6, 8.66e-3)
    seconds = 50 / found.hertz
    assert seconds == pytest.approx(0.5104, rel=1e-3)
    assert math.exp(-seconds / found.envelope_seconds) == pytest.approx(0.99, rel=1e-4)


def test_overdamped_circuit_does_not_ring():
    found = ring(1e-3, 1e-3, 100)
    assert (found.hertz, found.decrement, found.peak_ratio) == (None, None, None)
    with pytest.raises(NotPositiveError, match="capacitance"):
        ring(1, 0, 1)


@pytest.mark.parametrize(
    ("loss", "shift"),
    [(2, 1.0153), (5, 2.5978), (10, 5.4093), (20, 11.8034)],  # computed
)
def test_loss_of_inductance_raises_the_frequency(loss, shift):
    assert frequency_shift(loss).value == pytest.approx(shift, abs=1e-4)


def test_loss_of_inductance_has_bounds():
    with pytest.raises(OutsideRangeError):
        frequency_shift(100)


@pytest.mark.parametrize(
    ("turns", "coupling", "loss", "shift"),
    # L' = L(1 − 1/N)²(1 − κ²), a model of a shorted turn; computed
    [(50, 0.3, 12.6, 7.0), (20, 0.3, 17.9, 10.3), (50, 0.5, 28.0, 17.8)],
)
def test_shorted_turn_model(turns, coupling, loss, shift):
    left = (1 - 1 / turns) ** 2 * (1 - coupling**2)
    assert 100 * (1 - left) == pytest.approx(loss, abs=0.05)
    assert frequency_shift(100 * (1 - left)).value == pytest.approx(shift, abs=0.06)


def test_area_difference_check_value():
    """Computed by hand: 2 of 22."""
    result = waveform_difference([0, 10, 5, -5, -2, 0], [0, 9, 5, -4, -2, 0])
    assert result.value == pytest.approx(9.0909, abs=1e-4)


@pytest.mark.parametrize(
    ("hertz", "difference"),
    [(5050, 4.872), (5100, 9.706), (5250, 23.948)],  # computed
)
def test_area_difference_of_decaying_rings(hertz, difference):
    t = np.linspace(0, 0.5e-3, 5001)
    envelope = np.exp(-t / 0.2e-3)
    a = envelope * np.cos(2 * np.pi * 5000 * t)
    b = envelope * np.cos(2 * np.pi * hertz * t)
    assert waveform_difference(a, b).value == pytest.approx(difference, abs=0.01)


def test_area_difference_of_gain_alone():
    """Computed: 10 % exactly, and in both directions over the smaller wave."""
    a = np.sin(np.linspace(0, 20, 500))
    assert waveform_difference(a, 0.9 * a).value == pytest.approx(10, abs=1e-6)
    both = waveform_difference(a, 0.9 * a, both_directions=True).value
    assert both == pytest.approx(100 / 9)


def test_area_difference_refuses_what_has_no_area():
    with pytest.raises(MissingReadingError, match="3 and 2"):
        waveform_difference([1, 2, 3], [1, 2])
    with pytest.raises(ImpossibleSetError, match="no area"):
        waveform_difference([0, 0], [1, 2])
    with pytest.raises(MissingReadingError):
        waveform_difference([], [])


@pytest.mark.parametrize(
    ("kilovolts", "main", "turn"),
    # IEC 60034-15: 4·U_N + 5 kV and 0.65 of it, formulae from memory (sure), values computed
    [(3.3, 18.2, 11.83), (6.6, 31.4, 20.41), (11, 49.0, 31.85), (13.8, 60.2, 39.13)],
)
def test_impulse_levels(kilovolts, main, turn):
    assert impulse_level(kilovolts * 1e3).value == pytest.approx(main * 1e3, abs=1e-6)
    assert turn_impulse_level(kilovolts * 1e3).value == pytest.approx(turn * 1e3, abs=1e-6)


def test_surge_levels():
    """IEEE Std 522, numbers from memory (sure), values computed for 4160 V."""
    assert surge_unit(4160).value == pytest.approx(3396.6, abs=0.1)
    assert surge_unit(4160, per_unit=3.5).value == pytest.approx(11_888.2, abs=0.1)
    assert surge_unit(4160, per_unit=0.75 * 3.5).value == pytest.approx(8916.1, abs=0.1)


def test_power_frequency_levels():
    """AR100-2015, table 4-2, on a public page: 2U + 1000 and 1700 + 3.4 U."""
    assert power_frequency_level(460).value == 1920
    assert direct_voltage_level(460).value == pytest.approx(3264)
    assert 0.8 * power_frequency_level(460).value == 1536


@pytest.mark.parametrize(
    "level",
    [impulse_level, turn_impulse_level, surge_unit, power_frequency_level, direct_voltage_level],
)
def test_levels_are_information_only(level):
    assert "information only" in level(400).notes[0]
    with pytest.raises(NotPositiveError, match="rated voltage"):
        level(-400)
