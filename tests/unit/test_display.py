"""How values are written for people."""

import pytest

from capture.display import decade, quantity_text, resolved, shown


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (5000.0, "V", "5 kV"),
        (1012.0, "V", "1.012 kV"),
        (500.0, "V", "500 V"),
        (1000.0, "Hz", "1 kHz"),
        (50.002, "Hz", "50 Hz"),
        (4.7e-6, "F", "4.7 µF"),
        (8e-7, "s", "800 ns"),
        (0.0, "Ohm", "0 Ω"),
        (1500.0, "1/min", "1500 1/min"),
        (23.4, "Cel", "23.4 °C"),
        (0.0801, "%", "0.0801 %"),
    ],
)
def test_a_value_is_written_in_the_decade_that_reads_best(value, unit, text):
    assert quantity_text(value, unit) == text


@pytest.mark.parametrize("unit", ["Ohm", "V", "Cel", "%", "1/min"])
@pytest.mark.parametrize("value", [999.96, 1e3, 12345.0, 9.99996e8, 2e10])
def test_no_large_value_has_an_exponent(value, unit):
    assert "e" not in quantity_text(value, unit)


@pytest.mark.parametrize(
    ("digits", "value", "unit", "text"),
    [
        ("+8.25000E-01", 0.825, "Ohm", "825.000 mΩ"),  # zeros that the meter resolved
        ("825.00", 0.825, "Ohm", "825.00 mΩ"),  # shown in mOhm
        ("498.0", 498e6, "Ohm", "498.0 MΩ"),
        ("500", 500.0, "V", "500 V"),
        ("-12.043", -12.043, "V", "-12.043 V"),
        ("0,8420", 0.842, "Ohm", "842.0 mΩ"),
        ("23.40", 23.4, "Cel", "23.40 °C"),
        ("0.000", 0.0, "Ohm", "0 Ω"),
        ("8.2500000000000E-01", 0.825, "Ohm", "825.00000 mΩ"),  # digits beyond any meter's
    ],
)
def test_every_digit_that_a_display_resolved_is_kept(digits, value, unit, text):
    assert resolved(digits, value, unit) == text


@pytest.mark.parametrize("digits", ["OL", "", "1.5", "NaN", "Infinity", "1E999999999"])
def test_digits_that_do_not_say_the_value_are_not_believed(digits):
    assert resolved(digits, 0.842, "Ohm") == "842 mΩ"


def test_a_value_of_nothing_has_no_prefix():
    assert decade(0.0, "Ohm") == (0, "Ω")


def test_words_in_place_of_a_number_have_no_unit():
    keyed = {"digits": "OL", "shown_unit": "", "unit": "Ohm", "value": None}
    assert shown(keyed) == "OL"
    assert shown({**keyed, "shown_unit": "MΩ"}) == "OL MΩ"
    assert shown({**keyed, "digits": "5.5", "bound": {"side": "above"}}) == ">5.5 Ohm"
    assert shown({**keyed, "digits": "5.5", "value": 5.5}) == "5.5 Ohm"
