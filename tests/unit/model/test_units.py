"""Unit prefixes, checked against pint's own table of units and prefixes."""

from fractions import Fraction

import pint
import pytest

from capture.errors import InputError
from capture.model import parse_unit
from capture.model.units import UNIT_CODES

# Our spelling, what pint calls the unit, and the UCUM code (UCUM 2.1, tables 3 and 4).
UNITS = [
    ("\N{GREEK CAPITAL LETTER OMEGA}", "ohm", "Ohm"),
    ("\N{OHM SIGN}", "ohm", "Ohm"),
    ("Ohm", "ohm", "Ohm"),
    ("ohm", "ohm", "Ohm"),
    ("OHM", "ohm", "Ohm"),
    ("Ohms", "ohm", "Ohm"),
    ("ohms", "ohm", "Ohm"),
    ("OHMS", "ohm", "Ohm"),
    ("H", "henry", "H"),
    ("s", "second", "s"),
    ("sec", "second", "s"),
    ("SEC", "second", "s"),
    ("V", "volt", "V"),
    ("A", "ampere", "A"),
    ("F", "farad", "F"),
    ("W", "watt", "W"),
    ("S", "siemens", "S"),
    ("Hz", "hertz", "Hz"),
    ("HZ", "hertz", "Hz"),
    ("hz", "hertz", "Hz"),
]
# Our spelling of a prefix and pint's name of it. K for kilo is common practice, no source.
PREFIXES = [
    ("", ""),
    ("p", "pico"),
    ("n", "nano"),
    ("u", "micro"),
    ("\N{MICRO SIGN}", "micro"),
    ("\N{GREEK SMALL LETTER MU}", "micro"),
    ("m", "milli"),
    ("k", "kilo"),
    ("K", "kilo"),
    ("M", "mega"),
    ("G", "giga"),
    ("T", "tera"),
]
REGISTRY = pint.UnitRegistry(non_int_type=Fraction)


@pytest.mark.parametrize(("prefix", "prefix_name"), PREFIXES)
@pytest.mark.parametrize(("unit", "name", "code"), UNITS)
def test_every_prefix_of_every_unit_scales_as_pint_says(unit, name, code, prefix, prefix_name):
    """All 240 combinations: the exact factor, or the one refusal that the module documents."""
    if prefix == "M" and code not in ("Ohm", "Hz"):
        with pytest.raises(InputError, match="ambiguous"):
            parse_unit(prefix + unit)
        return
    scale = parse_unit(prefix + unit)
    factor = REGISTRY.Quantity(Fraction(1), prefix_name + name).to(name).magnitude
    assert scale.unit == code
    assert Fraction(10) ** scale.exponent == factor


@pytest.mark.parametrize(
    ("unit", "code"),
    [
        ("°C", "Cel"),
        ("\N{DEGREE CELSIUS}", "Cel"),
        ("degC", "Cel"),
        ("Cel", "Cel"),
        ("deg", "deg"),
        ("°", "deg"),
        ("%", "%"),
        ("1", "1"),
    ],
)
def test_a_unit_without_prefixes_has_none(unit, code):
    assert (parse_unit(unit).unit, parse_unit(unit).exponent) == (code, 0)
    for prefix in "mkµ":
        with pytest.raises(InputError, match="is not known"):
            parse_unit(prefix + unit)


@pytest.mark.parametrize(
    ("shown", "unit", "exponent"),
    [
        # IEEE 488.2 §7.7.3 suffix multipliers: M is milli, but MOHM and MHZ are mega.
        ("MOHM", "Ohm", 6),
        ("MHZ", "Hz", 6),
        ("KOHM", "Ohm", 3),
        ("kOHM", "Ohm", 3),
        ("mOhm", "Ohm", -3),
        ("MΩ", "Ohm", 6),
        ("mΩ", "Ohm", -3),
    ],
)
def test_a_capital_m_is_mega_before_ohm_and_hertz(shown, unit, exponent):
    assert (parse_unit(shown).unit, parse_unit(shown).exponent) == (unit, exponent)


@pytest.mark.parametrize("shown", ["MH", "MV", "MA", "MS", "MF", "Ms", "MSEC", "MW"])
def test_a_capital_m_that_could_be_milli_is_refused_and_says_how_to_write_it(shown):
    with pytest.raises(InputError, match=r"ambiguous.*write m\w+ for milli"):
        parse_unit(shown)


@pytest.mark.parametrize(
    "shown", ["", " ", "ω", "Om", "h", "mm", "kk", "mkΩ", "µ", "k", "dΩ", "cm", "mΩ ", "Ω/s", "oHm"]
)
def test_an_unknown_unit_is_refused_and_the_known_ones_are_named(shown):
    with pytest.raises(InputError, match="is not known; accepted are Ω Ohm"):
        parse_unit(shown)


def test_siemens_and_seconds_are_told_apart():
    assert parse_unit("S").unit == "S"
    assert parse_unit("s").unit == "s"
    assert parse_unit("mS").unit == "S"
    assert parse_unit("ms").unit == "s"


def test_the_stored_units_are_the_documented_ucum_codes():
    assert set(UNIT_CODES) == {
        "Ohm",
        "H",
        "s",
        "V",
        "A",
        "F",
        "W",
        "S",
        "Hz",
        "Cel",
        "deg",
        "%",
        "1",
    }
