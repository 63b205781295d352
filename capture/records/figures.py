"""How a record writes values: in the decade that reads best, with the digits that were shown."""

from decimal import Decimal, InvalidOperation

from capture.display import clean, quantity_text
from capture.model.record import RecordReading
from capture.model.result import JudgementRecord, ResultRecord
from capture.records.texts import Catalogue

_PREFIXES = ((9, "G"), (6, "M"), (3, "k"), (0, ""), (-3, "m"), (-6, "µ"), (-9, "n"))
_SYMBOLS = {"Ohm": "Ω", "H": "H", "s": "s", "V": "V"}
_UNITS = {"1": "", "deg": "°", "Cel": "°C"}


def shown(reading: RecordReading, text: Catalogue) -> str:
    """Write a reading with all digits that the display had, or say why it has no number."""
    mark = ""
    if reading.bound is not None:
        return text.number(
            quantity_text(reading.bound.value, reading.unit, reading.bound.side, digits=6)
        )
    if reading.value is None:
        return text.of("values", reading.status)
    if reading.shown_unit in ("", reading.unit):
        return text.number(mark + _scaled(reading.digits, reading.value, reading.unit))
    unit = "Ω" if reading.shown_unit == "Ohm" else clean(reading.shown_unit)
    return text.number(f"{clean(reading.digits)} {unit}")


def _scaled(digits: str, value: float, unit: str) -> str:
    """Move the decimal point of the shown digits to the decade that reads best."""
    try:
        exact = Decimal(digits.replace(",", "."))
    except InvalidOperation:
        return quantity_text(value, unit, digits=6)
    if unit not in _SYMBOLS or not exact or float(exact) != value:
        return f"{clean(digits)} {_UNITS.get(unit, unit)}".rstrip()
    fitting = [each for each in _PREFIXES if abs(exact) >= Decimal(10) ** each[0]]
    exponent, prefix = (fitting or _PREFIXES[-1:])[0]
    return f"{exact.scaleb(-exponent):f} {prefix}{_SYMBOLS[unit]}"


def quantity(value: float, unit: str, text: Catalogue, bound: str | None = None) -> str:
    """Write a computed value."""
    return text.number(quantity_text(value, unit, bound))


def result(record: ResultRecord, text: Catalogue) -> str:
    """Write a result's value."""
    value = record.value if record.value is not None else record.bound_value
    return "" if value is None else quantity(value, record.unit, text, record.bound)


def uncertainty(record: ResultRecord, text: Catalogue) -> str:
    """Write a result's expanded uncertainty, or the upper bound of its distribution."""
    if record.coverage is not None:
        return text("below_at", value=quantity(record.coverage.upper, record.unit, text))
    if record.uncertainty is None:
        return ""
    return text("plus_minus", value=quantity(record.uncertainty.expanded, record.unit, text))


def limit(judgement: JudgementRecord, unit: str, text: Catalogue) -> str:
    """Write a limit with its side."""
    mark = "≤" if judgement.side == "upper" else "≥"
    return f"{mark} {quantity(judgement.limit, unit, text)}"
