"""Reading a value as an instrument shows it, without losing or inventing a digit.

``842.1 mΩ``, ``0,842 Ω``, ``>5.5 GΩ``, ``OL``, ``---`` and ``9.9E37`` all end up here, whether they
came over a wire or from a keyboard, so both are judged alike.
"""

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from capture.errors import InputError
from capture.model.status import ShownBound, Side, Status
from capture.model.units import parse_unit

#: Which mark separates the decimals. ``auto`` takes either where only one reading is possible.
DecimalMark = Literal["auto", "point", "comma"]

FORMS = "842.1 mΩ, 0,842 Ω, 87.42 µs, >5.5 GΩ, <0.1 Ω, OL, ---"

_LONGEST = 64
_LARGEST_EXPONENT = 40
# Nothing on a bench reaches this; what claims to is a sentinel that we do not know.
_LARGEST = Decimal("1E30")

_NUMBER = re.compile(
    r"(?P<sign>[+\-\u2212])?(?P<whole>[0-9]*)(?:(?P<mark>[.,])(?P<part>[0-9]*))?"
    r"(?:[eE](?P<exponent>[+-]?[0-9]{1,3}))?"
)
_PLAIN = re.compile(r"([0-9]{1,12}\.[0-9]{1,20}) ([^\s0-9.,+-][^\s]*)")
_MORE_NUMBER = re.compile(r"[.,]|(?!1$)[0-9]")  # a lone 1 is the unit of what has none
_DASHES = re.compile(r"(?P<dashes>-{2,}(?:[.,]-+)?|_{2,})\s*(?P<unit>\S*)")
_OVERLOAD = re.compile(r"(?P<sign>[+\-\u2212])?[ .]?[O0o]\.?[Ll]\.?")
_GROUP = 3  # digits between two thousands separators

# SCPI-99 volume 1 §7.2.1: infinity, negative infinity and not-a-number travel as these numbers,
# with as many digits as the instrument likes. They differ by 1e-3, so 1e-6 tells them apart.
_INFINITY = Decimal("9.9E37")
_NOT_A_NUMBER = Decimal("9.91E37")
_SENTINEL_TOLERANCE = Decimal("1E-6")
_SENTINELS_START = Decimal("9E37")


@dataclass(frozen=True, slots=True)
class Shown:
    """One value as shown.

    Attributes:
        digits: the number exactly as shown, or the text that stood in its place.
        shown_unit: the unit exactly as shown; empty where none was.
        unit: UCUM code of the base unit; None where no unit is known (``OL`` alone).
        value: the number in the base unit, exact; None where there is no number.
        status: what the display says about the value.
        bound: what an out-of-range display still tells.
    """

    digits: str
    shown_unit: str
    unit: str | None
    value: Decimal | None
    status: Status
    bound: ShownBound | None = None


def parse_shown(text: str, *, mark: DecimalMark = "auto", default_unit: str = "") -> Shown:
    """Read one value with its unit as shown.

    ``default_unit`` is a unit as shown that applies where the text has none.

    Raises:
        InputError: the text is no value, has no unit, or could mean two different numbers.
    """
    if len(text) > _LONGEST:
        raise InputError(f"{text[:_LONGEST]!r}… is too long for a value; accepted forms: {FORMS}")
    # Nearly all that a meter sends: digits, a point, one unit. What the rest of this function, and
    # what it calls, would make of it, in one step.
    plain = _PLAIN.fullmatch(text)
    if plain is not None and mark != "comma":
        return _plain(plain[1], plain[2])
    body = text.strip()
    side = None
    if body[:1] in "<>" and body:
        side = Side.ABOVE if body[0] == ">" else Side.BELOW
        body = body[1:].lstrip()
    no_number = _without_number(body, default_unit) if side is None else None
    if no_number is not None:
        return no_number
    match = _NUMBER.match(body)
    digits = match.group() if match else ""
    if match is None or not (match["whole"] or match["part"]):
        raise InputError(f"{text.strip()!r} is not a value; accepted forms: {FORMS}")
    shown_unit = body[match.end() :].strip() or default_unit
    if _MORE_NUMBER.match(shown_unit):
        raise InputError(
            f"{text.strip()!r} goes on like a number after {digits!r}; a value is one number, "
            "without marks or spaces between thousands, e.g. 842.1 mΩ"
        )
    shown = scale_number(digits, shown_unit, mark=mark)
    if side is None:
        return shown
    if shown.value is None:
        raise InputError(f"{text.strip()!r} is a bound without a number; accepted forms: {FORMS}")
    status = Status.ABOVE_RANGE if side is Side.ABOVE else Status.BELOW_RANGE
    return Shown(digits, shown_unit, shown.unit, None, status, ShownBound(side, shown.value))


def _plain(digits: str, shown_unit: str) -> Shown:
    scale = parse_unit(shown_unit)
    # A context as wide as the text: nothing is rounded, and no number of such a form is special.
    return Shown(digits, shown_unit, scale.unit, Decimal(f"{digits}E{scale.exponent}"), Status.OK)


def scale_number(digits: str, shown_unit: str, *, mark: DecimalMark = "point") -> Shown:
    """Bring a number in a shown unit to the base unit, exactly; special numbers become statuses.

    Raises:
        InputError: as for `parse_shown`.
    """
    number = parse_number(digits, mark=mark)
    special = special_status(number)
    if special is not None:
        unit = parse_unit(shown_unit).unit if shown_unit else None
        return Shown(digits, shown_unit, unit, None, special)
    if not shown_unit:
        raise InputError(
            f"{digits!r} has no unit; write it as the instrument shows it, e.g. 842.1 mΩ"
        )
    scale = parse_unit(shown_unit)
    value = shift(number, scale.exponent)
    if abs(value) > _LARGEST:
        raise InputError(f"{digits!r} {shown_unit} is beyond anything that a bench meter shows")
    return Shown(digits, shown_unit, scale.unit, value, Status.OK)


def special_status(number: Decimal) -> Status | None:
    """Tell the status that a special number of SCPI stands for; None for an ordinary number."""
    if abs(number) < _SENTINELS_START:
        return None
    for sentinel, status in (
        (_NOT_A_NUMBER, Status.INVALID),
        (_INFINITY, Status.ABOVE_RANGE),
        (-_INFINITY, Status.BELOW_RANGE),
    ):
        if abs(number - sentinel) <= _INFINITY * _SENTINEL_TOLERANCE:
            return status
    return None


def shift(number: Decimal, exponent: int) -> Decimal:
    """Multiply by a power of ten without rounding, however many digits there are."""
    if exponent == 0:
        return number
    sign, digits, old = number.as_tuple()
    return Decimal((sign, digits, int(old) + exponent))


def parse_number(digits: str, *, mark: DecimalMark = "point") -> Decimal:
    """Read a number as shown, exactly.

    A comma before exactly three digits with a whole part of one to three digits that is not zero
    (``1,234``) has two meanings and is refused in ``auto``; ``0,842`` and ``13,87`` have one.

    Raises:
        InputError: not a number, the wrong mark, two possible meanings, or longer than a display.
    """
    if len(digits) > _LONGEST:
        raise InputError(f"{digits[:_LONGEST]!r}… is too long for a value; accepted forms: {FORMS}")
    match = _NUMBER.fullmatch(digits)
    if match is None or not (match["whole"] or match["part"]):
        raise InputError(f"{digits!r} is not a number; accepted forms: {FORMS}")
    shown_mark, whole, part = match["mark"], match["whole"], match["part"] or ""
    if shown_mark == "," and mark == "point":
        raise InputError(f"{digits!r} has a comma where a decimal point is expected")
    if shown_mark == "." and mark == "comma":
        raise InputError(f"{digits!r} has a point where a decimal comma is expected")
    if (
        shown_mark == ","
        and mark == "auto"
        and len(part) == _GROUP
        and 1 <= len(whole) <= _GROUP
        and whole.strip("0")
    ):
        raise InputError(
            f"{digits!r} could be a decimal comma or a thousands separator; "
            "write a decimal point, or say which mark the instrument uses"
        )
    exponent = int(match["exponent"] or 0)
    if abs(exponent) > _LARGEST_EXPONENT:
        raise InputError(f"{digits!r} is beyond anything that a bench meter shows")
    sign = "-" if match["sign"] in ("-", "\u2212") else ""
    return Decimal(
        f"{sign}{whole or '0'}.{part or '0'}E{exponent}" if part else f"{sign}{whole}E{exponent}"
    )


def _without_number(body: str, default_unit: str) -> Shown | None:
    """Recognise the displays that show no number: overload and dashes."""
    dashes = _DASHES.fullmatch(body)
    if dashes:
        shown_unit = dashes["unit"] or default_unit
        return Shown(dashes["dashes"], shown_unit, _known_unit(shown_unit), None, Status.INVALID)
    overload = _OVERLOAD.match(body)
    if overload is None:
        return None
    shown_unit = body[overload.end() :].strip() or default_unit
    negative = overload["sign"] in ("-", "\u2212")
    status = Status.BELOW_RANGE if negative else Status.ABOVE_RANGE
    return Shown(overload.group().strip(), shown_unit, _known_unit(shown_unit), None, status)


def _known_unit(shown_unit: str) -> str | None:
    return parse_unit(shown_unit).unit if shown_unit else None
