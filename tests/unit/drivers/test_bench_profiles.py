"""What the built-in profiles say beside their values: settings, counts, records, bounds."""

from decimal import Decimal

from capture.driver import Indication
from drivers.ascii_meter.driver import AsciiMeterOptions, make


def read(profile, *lines):
    driver = make(AsciiMeterOptions(profile=profile))
    list(driver.outgoing(0.0))
    driver.receive(b"".join(line + b"\r\n" for line in lines), False, 10.0)
    found = list(iter(driver.next_event, None))
    assert all(isinstance(each, Indication) for each in found), found
    return found


def test_a_resistance_is_kept_with_the_current_that_it_was_measured_with():
    (amperes, milliamperes) = read(
        "resistance-current-lines",
        b"R=  842.13 mOhm  I=  9.998 A  STABLE",
        b"R=  842.13 mOhm  I= 98.000 mA  STABLE",
    )
    assert amperes.conditions["test_current"] == (Decimal("9.998"), "A")
    assert milliamperes.conditions["test_current"] == (Decimal("0.098"), "A")


def test_a_result_of_an_insulation_test_says_which_one_it_is_and_how_long_it_took():
    line = b"0013;2026-03-14 08:09:00;1025 V;>20,00 GOhm;<0,10 nA;60 s"
    ohms, volts, amperes = read("insulation-results", line)
    assert (ohms.bound.side, ohms.bound.value) == ("above", Decimal(20_000_000_000))
    assert (amperes.bound.side, amperes.bound.value) == ("below", Decimal("0.0000000001"))
    assert ohms.elapsed == volts.elapsed == 60
    assert "0013" in ohms.record
    assert [each.record for each in read("insulation-results", line)] == [
        ohms.record, volts.record, amperes.record,
    ]  # fmt: skip
    assert len({ohms.record, volts.record, amperes.record}) == 3
