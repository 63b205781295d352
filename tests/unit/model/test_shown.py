"""Values as shown: exact numbers, statuses, bounds, and what is refused."""

from decimal import Decimal
from fractions import Fraction

import pytest

from capture.errors import InputError
from capture.model import Side, Status, parse_number, parse_shown, scale_number
from capture.model.shown import shift


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("842.1 mΩ", Fraction(8421, 10_000), "Ohm"),
        ("842.1 m\N{OHM SIGN}", Fraction(8421, 10_000), "Ohm"),
        ("0,842 Ω", Fraction(842, 1000), "Ohm"),
        ("0.842 kOHM", Fraction(842), "Ohm"),
        ("0.842 KOHM", Fraction(842), "Ohm"),
        ("1.5 MOHM", Fraction(1_500_000), "Ohm"),
        ("87.42 \N{MICRO SIGN}s", Fraction(8742, 100_000_000), "s"),
        ("87.42 \N{GREEK SMALL LETTER MU}s", Fraction(8742, 100_000_000), "s"),
        ("87.42us", Fraction(8742, 100_000_000), "s"),
        ("842.1MΩ", Fraction(842_100_000), "Ohm"),
        ("842.1mΩ", Fraction(8421, 10_000), "Ohm"),
        ("  5 H ", Fraction(5), "H"),
        ("+.5 V", Fraction(1, 2), "V"),
        ("5. V", Fraction(5), "V"),
        ("-12.5 °C", Fraction(-25, 2), "Cel"),
        ("\N{MINUS SIGN}12.5 °C", Fraction(-25, 2), "Cel"),
        ("8.421E-01 Ohm", Fraction(8421, 10_000), "Ohm"),
        ("8.421e-1Ohm", Fraction(8421, 10_000), "Ohm"),
        ("13,87 Ω", Fraction(1387, 100), "Ohm"),
        ("1234,567 Ω", Fraction(1_234_567, 1000), "Ohm"),
        ("1,23 Ω", Fraction(123, 100), "Ohm"),
        ("0 Ω", Fraction(0), "Ohm"),
        ("0.1 pF", Fraction(1, 10**13), "F"),
        ("2 TΩ", Fraction(2 * 10**12), "Ohm"),
        ("97 %", Fraction(97), "%"),
    ],
)
def test_a_value_with_its_unit_is_exact(text, value, unit):
    """Compared as fractions, so no rounding can hide."""
    shown = parse_shown(text)
    assert Fraction(shown.value) == value
    assert shown.unit == unit
    assert shown.status is Status.OK
    assert shown.bound is None


def test_more_digits_than_a_float_holds_are_all_kept():
    text = "0.1234567890123456789012345678901234567"
    shown = parse_shown(f"{text} mΩ")
    assert Fraction(shown.value) == Fraction(text) / 1000
    assert shown.digits == text


def test_what_was_shown_is_kept_to_the_letter():
    shown = parse_shown("842.10 m\N{OHM SIGN}")
    assert (shown.digits, shown.shown_unit) == ("842.10", "m\N{OHM SIGN}")


@pytest.mark.parametrize(
    "text",
    ["1.129.000", "1.129.000 mΩ", "1,129,000 mΩ", "1 129 mΩ", "12..5 Ω", "> 5.5.5 GΩ", "12 5"],
)
def test_what_goes_on_like_a_number_is_told_so_and_is_no_unit(text):
    with pytest.raises(InputError, match="goes on like a number after"):
        parse_shown(text)


def test_a_lone_one_is_a_unit():
    """UCUM's 1, of what has no unit."""
    assert parse_shown("0.05 1").unit == "1"


@pytest.mark.parametrize(
    "text", ["1,234 Ω", "12,345 Ω", "123,456 Ω", "-1,234 Ω", "001,234 Ω", "1,234E3 Ω"]
)
def test_a_comma_that_could_separate_thousands_is_refused(text):
    with pytest.raises(InputError, match="could be a decimal comma or a thousands separator"):
        parse_shown(text)


@pytest.mark.parametrize(
    ("digits", "mark", "value"),
    [("1,234", "comma", "1.234"), ("1.234", "point", "1.234"), ("1.234", "auto", "1.234")],
)
def test_a_mark_that_is_known_leaves_no_doubt(digits, mark, value):
    assert parse_number(digits, mark=mark) == Decimal(value)


@pytest.mark.parametrize(("digits", "mark"), [("1,5", "point"), ("1.5", "comma")])
def test_the_wrong_mark_is_refused(digits, mark):
    with pytest.raises(InputError, match="where a decimal"):
        parse_number(digits, mark=mark)


@pytest.mark.parametrize(
    "text", ["OL", "O.L", "O.L.", "0L", "0.L", ".OL", "ol", "oL", "+OL", " OL "]
)
def test_an_overload_is_above_range_without_a_value(text):
    shown = parse_shown(text)
    assert (shown.status, shown.value, shown.unit, shown.bound) == (
        Status.ABOVE_RANGE,
        None,
        None,
        None,
    )


@pytest.mark.parametrize("text", ["-OL", "\N{MINUS SIGN}OL", "-O.L"])
def test_a_negative_overload_is_below_range(text):
    assert parse_shown(text).status is Status.BELOW_RANGE


def test_an_overload_keeps_the_unit_beside_it():
    shown = parse_shown("O.L MΩ")
    assert (shown.status, shown.unit, shown.shown_unit) == (Status.ABOVE_RANGE, "Ohm", "MΩ")


@pytest.mark.parametrize("text", ["--", "---", "----", "---.-", "--,--", "___"])
def test_dashes_are_no_valid_value(text):
    shown = parse_shown(text)
    assert (shown.status, shown.value) == (Status.INVALID, None)


@pytest.mark.parametrize(
    ("text", "status", "side", "bound"),
    [
        (">5.5 GΩ", Status.ABOVE_RANGE, Side.ABOVE, Fraction(5_500_000_000)),
        ("> 5,5 GΩ", Status.ABOVE_RANGE, Side.ABOVE, Fraction(5_500_000_000)),
        (">5.50 GOhm", Status.ABOVE_RANGE, Side.ABOVE, Fraction(5_500_000_000)),
        ("<0.1 mΩ", Status.BELOW_RANGE, Side.BELOW, Fraction(1, 10_000)),
    ],
)
def test_a_bound_has_no_value_and_keeps_its_bound(text, status, side, bound):
    shown = parse_shown(text)
    assert (shown.status, shown.value) == (status, None)
    assert shown.bound.side is side
    assert Fraction(shown.bound.value) == bound


# SCPI-99 volume 1 §7.2.1 gives the three numbers; how many digits are sent is the instrument's.
INFINITY = [
    "9.9E37",
    "9.9E+37",
    "+9.9E37",
    "9.90E37",
    "+9.90000000E+37",
    "9.9000000000000E+037",
    "9.9e37",
    "99E36",
    "0.99E38",
    "990.0E35",
    "99" + "0" * 36,
]


@pytest.mark.parametrize("digits", INFINITY)
def test_scpi_infinity_is_above_range_in_any_form(digits):
    shown = scale_number(digits, "Ohm")
    assert (shown.status, shown.value, shown.digits) == (Status.ABOVE_RANGE, None, digits)


@pytest.mark.parametrize("digits", ["-" + form.lstrip("+") for form in INFINITY])
def test_scpi_negative_infinity_is_below_range_in_any_form(digits):
    assert scale_number(digits, "mOhm").status is Status.BELOW_RANGE


@pytest.mark.parametrize(
    "digits", ["9.91E37", "+9.91E+37", "9.910000E+37", "991E35", "0.991E38", "9.91e+037"]
)
def test_scpi_not_a_number_is_invalid_in_any_form(digits):
    assert scale_number(digits, "H").status is Status.INVALID


@pytest.mark.parametrize(
    "digits", ["-9.91E37", "9.92E37", "9.8E37", "9.905E37", "1E38", "9.9E38", "1E31", "-1E31"]
)
def test_a_huge_number_that_is_no_known_sentinel_is_refused(digits):
    with pytest.raises(InputError, match="beyond anything"):
        scale_number(digits, "Ohm")


def test_a_large_honest_number_is_a_number():
    assert scale_number("9.9E12", "Ohm").value == Decimal("9.9E12")
    assert scale_number("9.91", "TOhm").value == Decimal("9.91E12")


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "Ω",
        "mΩ 842",
        ">",
        "<",
        "> Ω",
        ">OL",
        ">>5 Ω",
        "5 Ω Ω",
        "5 6 Ω",
        "5..1 Ω",
        "5.1.2 Ω",
        "1.234,5 Ω",
        "+-5 Ω",
        "5 furlongs",
        "1e999 Ω",
        "1e-99 Ω",
        "NaN Ω",
        "inf Ω",
        "１２ Ω",
        "0x10 Ω",
        "5 Ω" + " " * 100,
        "-",
        "OLD",
        ".",
        ",",
        "e5 Ω",
    ],
)
def test_anything_else_is_refused_as_input(text):
    with pytest.raises(InputError):
        parse_shown(text)


def test_a_number_without_a_unit_is_refused_unless_one_applies():
    with pytest.raises(InputError, match="has no unit"):
        parse_shown("842.1")
    shown = parse_shown("842.1", default_unit="mΩ")
    assert Fraction(shown.value) == Fraction(8421, 10_000)


def test_a_unit_in_the_text_wins_over_the_one_that_applies_otherwise():
    assert parse_shown("5 kΩ", default_unit="mΩ").value == 5000


@pytest.mark.parametrize("exponent", [-12, -3, 0, 3, 12])
def test_shifting_a_number_rounds_nothing(exponent):
    long = Decimal("1." + "1234567890" * 9)
    assert Fraction(shift(long, exponent)) == Fraction(long) * Fraction(10) ** exponent


def test_a_number_longer_than_any_display_is_refused():
    """A noisy line of digits is damage; no display has so many places."""
    with pytest.raises(InputError, match="too long"):
        parse_number("0" * 500)
    with pytest.raises(InputError, match="too long"):
        scale_number("1." + "3" * 300, "Ohm")
