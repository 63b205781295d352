"""How a record writes the digits of a display, whichever decimal mark the display has."""

from types import SimpleNamespace

import pytest

from capture.records.figures import shown
from capture.records.texts import catalogue


def reading(digits, shown_unit, value, unit="Ohm"):
    return SimpleNamespace(
        bound=None, status="ok", digits=digits, shown_unit=shown_unit, value=value, unit=unit
    )


@pytest.mark.parametrize(
    ("read", "english", "german"),
    [
        (reading("842.1", "mOhm", 0.8421), "842.1 mΩ", "842,1 mΩ"),
        (reading("842,1", "mOhm", 0.8421), "842.1 mΩ", "842,1 mΩ"),
        # Under an instrument with a comma this is one and a quarter, not a thousand and more.
        (reading("1,234", "mOhm", 0.001234), "1.234 mΩ", "1,234 mΩ"),
        (reading("0,8421", "Ohm", 0.8421), "842.1 mΩ", "842,1 mΩ"),
        (reading("0,31", "%", 0.31, "%"), "0.31 %", "0,31 %"),
        (reading("+4.74937E+02", "1", 474.937, "1"), "474.937", "474,937"),
        (reading("+4.70000E+02", "1", 470.0, "1"), "470.000", "470,000"),
        (reading("-1.5E-01", "deg", -0.15, "deg"), "-0.15 °", "-0,15 °"),
    ],
    ids=lambda case: getattr(case, "digits", None),
)
def test_a_record_has_one_decimal_mark_throughout(read, english, german):
    assert shown(read, catalogue("en")) == english
    assert shown(read, catalogue("de")) == german
