"""Check values of insulation: correction to 40 °C, minima, test voltages, discharge."""

import pytest

from capture.winding import (
    NotPositiveError,
    OutsideRangeError,
    UnknownChoiceError,
    discharge_seconds,
    insulation_at_40,
    insulation_factor,
    minimum_insulation,
    test_voltage,
)

TEMPERATURES = range(10, 90, 5)
# computed from the halving rule
THERMOPLASTIC = """.1250 .1768 .2500 .3536 .5000 .7071 1 1.4142 2.0000 2.8284 4.0000 5.6569 8.0000
11.3137 16.0000 22.6274"""
# computed from the formula with 4230 and 1245, which are from memory
THERMOSETTING = """.6560 .7080 .7622 .8186 .8770 .9375 1 1.2368 1.5195 1.8553 2.2517 2.7172 3.2609
3.8931 4.6245 5.4670"""


@pytest.mark.parametrize(
    ("kind", "table"), [("thermoplastic", THERMOPLASTIC), ("thermosetting", THERMOSETTING)]
)
def test_factor_table(kind, table):
    factors = [insulation_factor(celsius, kind) for celsius in TEMPERATURES]
    assert factors == pytest.approx([float(text) for text in table.split()], abs=1e-4)


def test_remembered_rounded_table():
    """IEEE Std 43-2013, rounded factors 10 … 80 °C (from memory, medium)."""
    rounded = [0.7, 0.8, 0.9, 1.0, 1.5, 2.3, 3.3, 4.6]
    factors = [
        round(insulation_factor(celsius, "thermosetting"), 1) for celsius in range(10, 90, 10)
    ]
    assert factors == rounded


@pytest.mark.parametrize(
    ("megohms", "celsius", "kind", "expected"),
    [
        (200, 20, "thermoplastic", 50),  # insulationtesting.com/?p=107: 200 at 20 °C is 25 at 50
        (25, 50, "thermoplastic", 50),  # same page
        (15, 70, "thermoplastic", 120),  # qinstar.in, question 374629: factor 8
        (3, 70, "thermoplastic", 24),  # computed; a page that reads 21 off a graph is not used
        (1000, 20, "thermoplastic", 250),  # computed
        (1000, 20, "thermosetting", 762.227),  # computed
    ],
)
def test_resistance_at_40(megohms, celsius, kind, expected):
    result = insulation_at_40(megohms * 1e6, celsius, kind)
    assert result.value / 1e6 == pytest.approx(expected, abs=1e-3)
    assert (result.unit, result.formula) == ("Ohm", "insulation-at-40")


def test_outside_the_range_says_extrapolated():
    assert "extrapolated" in insulation_at_40(1e9, 5, "thermosetting").notes[0]
    assert "extrapolated" in insulation_at_40(1e9, 90, "thermoplastic").notes[0]
    assert insulation_at_40(1e9, 85, "thermoplastic").notes == ()


@pytest.mark.parametrize(
    ("volts", "winding", "year", "megohms"),
    [
        # the formula kV + 1 from public texts (a forum thread, a maker's manual), values computed
        (4160, "form", 1960, 5.16),
        (13_800, "field", 1999, 14.8),
        (460, "random", 1960, 1.46),
        # public texts quoting IEEE Std 43-2013, 12.3
        (4160, "form", 1990, 100),
        (690, "form", 1990, 5),
        (460, "random", 2020, 5),
        (500, "dc-armature", 2020, 5),
    ],
)
def test_minimum(volts, winding, year, megohms):
    assert minimum_insulation(volts, winding, year).value == pytest.approx(megohms * 1e6)


@pytest.mark.parametrize(
    ("volts", "lowest", "highest"),
    # two makers' pages quoting IEEE Std 43, table 1, second-hand
    [
        (460, 500, 500),
        (1000, 500, 1000),
        (2500, 500, 1000),
        (2501, 1000, 2500),
        (5000, 1000, 2500),
        (12_000, 2500, 5000),
        (12_001, 5000, 10_000),
    ],
)
def test_voltage_ladder(volts, lowest, highest):
    assert tuple(test_voltage(volts)) == (lowest, highest)


@pytest.mark.parametrize(("applied", "wait"), [(60, 240), (600, 2400)])
def test_discharge(applied, wait):
    """Four times the time under voltage (IEEE Std 43, from memory, sure)."""
    assert discharge_seconds(applied).value == wait


def test_discharge_is_never_shortened():
    assert discharge_seconds(60, factor=10).value == 600
    with pytest.raises(OutsideRangeError, match="less than four"):
        discharge_seconds(60, factor=3)


def test_bad_insulation_input_is_named():
    with pytest.raises(NotPositiveError, match="insulation resistance"):
        insulation_at_40(0, 20, "thermoplastic")
    with pytest.raises(UnknownChoiceError, match="thermoplastic, thermosetting"):
        insulation_at_40(1, 20, "paper")
    with pytest.raises(OutsideRangeError, match="no temperature"):
        insulation_at_40(1, 400, "thermoplastic")
    with pytest.raises(UnknownChoiceError, match="random, form, field, dc-armature"):
        minimum_insulation(400, "rotor", 2000)
    with pytest.raises(NotPositiveError, match="rated voltage"):
        test_voltage(0)


def test_no_sentence_calls_a_winding_safe_or_dead():
    text = " ".join(discharge_seconds(60).notes + minimum_insulation(400, "random", 2020).notes)
    assert "safe" not in text
    assert "dead" not in text
