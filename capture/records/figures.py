"""How a record writes values: in the decade that reads best, with the digits that were shown."""

from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from math import floor, log10

from capture.display import PREFIXED, clean, decade, quantity_text
from capture.model.record import RecordReading
from capture.model.result import JudgementRecord, ResultRecord
from capture.records.texts import Catalogue

#: Decades from which on a number without a prefix stays in its powers of ten.
_MOST_PLACES = 7
_UNITS = {"1": "", "deg": "°", "Cel": "°C"}


def shown(reading: RecordReading, text: Catalogue) -> str:
    """Write a reading with all digits that the display had, or say why it has no number."""
    if reading.bound is not None:
        return text.number(
            quantity_text(reading.bound.value, reading.unit, reading.bound.side, digits=6)
        )
    if reading.value is None:
        return text.of("values", reading.status)
    # A display may have a comma; beside numbers with points, 1,234 would be a thousand times more.
    digits = reading.digits.replace(",", ".")
    if reading.shown_unit in ("", reading.unit):
        return text.number(_scaled(digits, reading.value, reading.unit))
    unit = clean(reading.shown_unit).replace("Ohm", "Ω")
    return text.number(f"{clean(digits)} {unit}")


def _scaled(digits: str, value: float, unit: str) -> str:
    """Move the decimal point of the shown digits to the decade that reads best."""
    try:
        exact = Decimal(digits)
    except InvalidOperation:
        return quantity_text(value, unit, digits=6)
    if unit not in PREFIXED and abs(exact.adjusted()) < _MOST_PLACES and float(exact) == value:
        return f"{exact:f} {_UNITS.get(unit, unit)}".rstrip()  # +4.74937E+02 is 474.937
    if unit not in PREFIXED or not exact or float(exact) != value:
        return f"{clean(digits)} {_UNITS.get(unit, unit)}".rstrip()
    exponent, written = decade(value, unit)
    return f"{exact.scaleb(-exponent):f} {written}"


def quantity(value: float, unit: str, text: Catalogue, bound: str | None = None) -> str:
    """Write a computed value, which is in ``unit``."""
    return text.number(quantity_text(value, unit, bound))


def result(record: ResultRecord, text: Catalogue) -> tuple[str, str]:
    """Write a result's value and its expanded uncertainty, or the bound of its distribution.

    The uncertainty has two digits, and the value as many places as the uncertainty.
    """
    value = record.value if record.value is not None else record.bound_value
    if value is None:
        return "", ""
    if record.coverage is not None:
        upper = quantity(record.coverage.upper, record.unit, text)
        return quantity(value, record.unit, text), text("below_at", value=upper)
    expanded = None if record.uncertainty is None else record.uncertainty.expanded
    if not expanded or not value or record.bound is not None:
        return quantity(value, record.unit, text, record.bound), ""
    written = [
        text.number(f"{each} {unit}".rstrip())
        for each, unit in _two_digits(value, expanded, record.unit)
    ]
    return written[0], text("plus_minus", value=written[1])


def spread(value: float, expanded: float, unit: str, text: Catalogue) -> str:
    """Write a value and its expanded uncertainty in one decade, the latter with two digits."""
    if not expanded:
        return quantity(value, unit, text)
    (told, written), (about, _) = _two_digits(value, expanded, unit)
    return text.number(f"{told} ± {about} {written}".rstrip())


def percent(value: float, text: Catalogue) -> str:
    """Write a change in per cent, with its sign; what rounds to nothing has none."""
    rounded = round(value, 2) + 0.0
    return text.number(f"{rounded:+z.2f} %" if rounded else "0.00 %")


def _two_digits(value: float, expanded: float, unit: str) -> list[tuple[str, str]]:
    exponent, written = decade(value, unit)
    places = max(0, 1 - floor(log10(expanded / 10.0**exponent)))
    return [(f"{each / 10.0**exponent:.{places}f}", written) for each in (value, expanded)]


@dataclass(frozen=True, slots=True)
class Decade:
    """What an axis counts in: values are divided by ``factor`` to be in ``unit``."""

    factor: float
    unit: str


def scale(value: float, unit: str) -> Decade:
    """Give the decade that an axis reads best in, where a value like this one stands on it."""
    exponent, written = decade(value, unit)
    return Decade(10.0**exponent, written)


def limit(judgement: JudgementRecord, unit: str, text: Catalogue) -> str:
    """Write a limit with its side."""
    mark = "≤" if judgement.side == "upper" else "≥"
    return f"{mark} {quantity(judgement.limit, unit, text)}"
