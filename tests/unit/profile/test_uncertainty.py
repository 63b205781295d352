"""From limits of error in a profile to the standard uncertainty of a reading."""

import math
from decimal import Decimal

import pytest

from capture.driver import Indication, Status, parse_shown
from capture.driver.profile import standard_uncertainty
from capture.driver.profile.parts import Accuracy
from capture.driver.profile.uncertainty import resolution


def indication(quantity, text, unit):
    return Indication.of(quantity, unit, parse_shown(text), text.encode())


def test_reading_and_range():
    """JCGM 100:2008, 4.3.7: ±(14e-6 of reading + 2e-6 of range), 0.928571 V on 1 V: u = 8.7 µV.

    The limits are 15.0 µV and u = 15.0 µV/√3 = 8.66 µV, printed as 8.7 (figures from memory, and
    computed).
    """
    line = Accuracy(quantity="voltage", reading_percent=14e-4, range_percent=2e-4, range=1.0)
    found = standard_uncertainty(indication("voltage", "0.928571 V", "V"), [line])
    assert found.standard * math.sqrt(3) == pytest.approx(15.0e-6, abs=0.05e-6)
    assert found.standard == pytest.approx(8.66e-6, abs=0.05e-6)


def test_reading_and_counts():
    """±(0.02 % + 3 counts), 0.5000 Ohm shown: limits 0.4 mOhm, u = 0.23094 mOhm (computed)."""
    line = Accuracy(quantity="resistance", reading_percent=0.02, counts=3)
    found = standard_uncertainty(indication("resistance", "0.5000 Ohm", "Ohm"), [line])
    assert found.standard == pytest.approx(0.00023094, abs=1e-8)
    assert found.basis == "±(0.02 % of reading + 3 counts), rectangular; profile"


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ("842.13 mOhm", "0.00001"),
        ("0.5000 Ohm", "0.0001"),
        ("1200 kOhm", "1000"),
        ("12 Ohm", "1"),
        ("+8.42130E-01 Ohm", "0.000001"),
    ],
)
def test_a_count_is_the_last_digit_shown(text, count):
    """In the base unit, whatever prefix the display has."""
    assert resolution(indication("resistance", text, "Ohm")) == Decimal(count)


def test_a_unit_that_only_the_profile_understands_is_no_obstacle():
    """MH, which a profile explains, stays as shown and the count is still known."""
    shown = Indication(
        quantity="inductance",
        unit="H",
        value=Decimal("0.01243"),
        digits="12.43",
        shown_unit="MH",
        status=Status.OK,
        raw=b"12.43 MH",
    )
    assert resolution(shown) == Decimal("0.00001")


def test_the_first_line_that_reaches_the_value_counts():
    """Ranges are given by the value up to which a line holds; the sign does not matter."""
    lines = [
        Accuracy(quantity="voltage", up_to=1, reading_percent=3),
        Accuracy(quantity="resistance", up_to=2, reading_percent=1),
        Accuracy(quantity="resistance", up_to=20, reading_percent=2, range_percent=1),
    ]
    one = standard_uncertainty(indication("resistance", "-2.0 Ohm", "Ohm"), lines)
    assert one.standard == pytest.approx(0.02 / math.sqrt(3))
    two = standard_uncertainty(indication("resistance", "10 Ohm", "Ohm"), lines)
    # The range is what the line reaches up to: 2 % of 10 and 1 % of 20.
    assert two.standard == pytest.approx(0.4 / math.sqrt(3))
    assert standard_uncertainty(indication("resistance", "21 Ohm", "Ohm"), lines) is None


def test_no_number_has_no_uncertainty():
    """A bound or an overload stays without."""
    line = Accuracy(quantity="resistance", reading_percent=1)
    for text in ("OL", ">5.5 GOhm", "---"):
        assert standard_uncertainty(indication("resistance", text, "Ohm"), [line]) is None
