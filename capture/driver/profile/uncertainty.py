"""From a data sheet's limits of error to a standard uncertainty.

The limits ±a are taken as a rectangular distribution, so u = a/√3 (JCGM 100:2008, 4.3.7): a data
sheet says within what the error lies, not how it is distributed.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from capture.driver.profile.parts import Accuracy
from capture.model import Indication


@dataclass(frozen=True, slots=True)
class StandardUncertainty:
    """A standard uncertainty in the base unit, its shared relative part, and its basis."""

    standard: float
    shared: float
    basis: str


def standard_uncertainty(
    indication: Indication, accuracy: Sequence[Accuracy]
) -> StandardUncertainty | None:
    """Give the standard uncertainty of a value; None where it has no number or no line fits.

    The first line of ``accuracy`` that is for the quantity and reaches up to the value counts.
    """
    value = indication.value
    if value is None:
        return None
    for line in accuracy:
        reaches = line.up_to is None or abs(float(value)) <= line.up_to
        if line.quantity == indication.quantity and reaches:
            limit = line.reading_percent / 100 * abs(float(value))
            limit += line.counts * float(resolution(indication))
            limit += line.range_percent / 100 * (line.range or line.up_to or 0.0)
            gain = line.reading_percent / 100 / math.sqrt(3)
            return StandardUncertainty(limit / math.sqrt(3), gain, _basis(line))
    return None


def resolution(indication: Indication) -> Decimal:
    """Give one count of the last digit shown, in the base unit; zero where there is no number.

    The value is exact, so its last decimal place is that of the last digit shown, whatever unit
    the display has.
    """
    value = indication.value
    if value is None:
        return Decimal(0)
    exponent = value.as_tuple().exponent
    assert isinstance(exponent, int)  # a value is a finite number
    return Decimal(1).scaleb(exponent)


def _basis(line: Accuracy) -> str:
    parts = []
    if line.reading_percent:
        parts.append(f"{line.reading_percent:g} % of reading")
    if line.counts:
        parts.append(f"{line.counts:g} counts")
    if line.range_percent:
        parts.append(f"{line.range_percent:g} % of range")
    return f"±({' + '.join(parts)}), rectangular; {line.source}"
