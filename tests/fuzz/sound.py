"""What must hold of everything that a driver gives, whatever came over the link."""

from decimal import Decimal

from capture.driver import Status, unit_of


def drained(driver):
    """Take all events that wait."""
    events = []
    while (event := driver.next_event()) is not None:
        events.append(event)
    return events


def sound(indication):
    """Hold an indication against its own digits: unit, status, and a value that is exactly theirs."""
    assert indication.unit
    assert indication.unit == (unit_of(indication.quantity) or indication.unit)
    assert (indication.value is None) <= (indication.status is not Status.OK)
    assert indication.digits
    assert indication.raw
    value = indication.value
    if value is None:
        return
    assert value.is_finite()
    assert abs(value) < Decimal("1e31")
    digits = Decimal(indication.digits.strip().replace(",", ".").replace("\N{MINUS SIGN}", "-"))
    # A prefix moves the point and changes no digit.
    assert _significant(value) == _significant(digits), (value, indication.digits)
    assert value == 0 or (value < 0) == (digits < 0)


def _significant(number):
    return "".join(map(str, number.as_tuple().digits)).strip("0")
