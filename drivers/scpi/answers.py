"""Reading SCPI answers: fields, numbers, blocks.

Numbers are NR1, NR2 or NR3 (IEEE 488.2 §8.7), taken as generously as a listener should: sign and
exponent in any of the usual forms. Blocks hold IEEE 754 numbers or two's complement integers, most
significant byte first unless FORMat:BORDer is SWAPped (SCPI-99 volume 2 §9).
"""

import math
import re
import struct
from dataclasses import dataclass
from decimal import Decimal

from capture.driver import Condition, InputError, Shown, Status, parse_unit, scale_number
from drivers.scpi.conversation import Misfit

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?\Z")
_FORMAT = re.compile(r"(?P<kind>[A-Z]+)(?:,(?P<bits>[0-9]+))?\Z")
_MOST_VALUES = 10_000
_SINGLE = 4


def split_fields(text: str) -> list[str]:
    """Cut an answer at its commas, those inside double quotes excepted."""
    fields, current, quoted = [], "", False
    for character in text:
        if character == '"':
            quoted = not quoted
        if character == "," and not quoted:
            fields.append(current.strip())
            current = ""
        else:
            current += character
    return [*fields, current.strip()]


def read_number(text: str, unit: str) -> Shown:
    """Read one number that stands in ``unit``.

    Raises:
        Misfit: no number, or beyond anything that a meter shows.
    """
    if not _NUMBER.match(text):
        raise Misfit(
            "not a number (NR1, NR2 or NR3); units and words in an answer are read by ascii-meter, "
            "with a profile that has [poll] (docs/profiles.md)"
        )
    try:
        return scale_number(text, unit)
    except InputError as error:
        raise Misfit(str(error)) from error


def read_setting(text: str, unit: str) -> Condition:
    """Read the answer to a settings query: a number with its unit, or words where it has none.

    Raises:
        Misfit: it is neither.
    """
    text = text.strip().strip('"')
    if not unit:
        if not text or not text.isprintable():
            raise Misfit("a setting that is no plain text")
        return text[:64]
    shown = read_number(text, unit)
    if shown.value is None:
        raise Misfit("a setting without a value")
    return shown.value, parse_unit(unit).unit


@dataclass(frozen=True, slots=True)
class BlockFormat:
    """How numbers stand in a block.

    Attributes:
        kind: ``REAL`` or ``INT``.
        bits: width of one number: 32 or 64; 8, 16, 32 or 64 for integers.
        swapped: least significant byte first.
    """

    kind: str
    bits: int
    swapped: bool = False

    def letter(self) -> str:
        """Give the letter that `struct` knows this by."""
        letters = {
            ("REAL", 32): "f",
            ("REAL", 64): "d",
            ("INT", 8): "b",
            ("INT", 16): "h",
            ("INT", 32): "i",
            ("INT", 64): "q",
        }
        return ("<" if self.swapped else ">") + letters[self.kind, self.bits]


def read_format(format_answer: str, border_answer: str) -> BlockFormat | None:
    """Read the answers to ``FORMat?`` and ``FORMat:BORDer?``; None where the format is text.

    Raises:
        Misfit: a format that is not handled.
    """
    match = _FORMAT.match(format_answer.strip().upper().replace(" ", ""))
    if match is None:
        raise Misfit("no data format")
    kind = match["kind"]
    if "ASCII".startswith(kind):
        return None
    swapped = "SWAPPED".startswith(border_answer.strip().upper())
    default_bits = 64 if kind == "REAL" else 32
    bits = int(match["bits"] or default_bits)
    made = BlockFormat("INT" if "INTEGER".startswith(kind) else kind, bits, swapped)
    try:
        made.letter()
    except KeyError as error:
        raise Misfit(f"data format {format_answer.strip()!r} is not handled") from error
    return made


def read_block(frame: bytes, form: BlockFormat, unit: str) -> list[Shown]:
    """Read the numbers of a definite-length block.

    Raises:
        Misfit: fewer bytes than announced, no whole number of values, or too many of them.
    """
    start = 2 + frame[1] - ord("0")
    announced, payload = frame[2:start], frame[start:]
    if announced and (not announced.isdigit() or int(announced) != len(payload)):
        raise Misfit(f"a block of {len(payload)} bytes, which is not the length it announces")
    letter = form.letter()
    size = struct.calcsize(letter)
    if not payload or len(payload) % size or len(payload) // size > _MOST_VALUES:
        raise Misfit(f"a block of {len(payload)} bytes holds no whole values of {size} bytes")
    return [_from_binary(value, size, unit) for (value,) in struct.iter_unpack(letter, payload)]


def _from_binary(value: float, size: int, unit: str) -> Shown:
    if isinstance(value, int):
        return read_number(str(value), unit)
    if math.isnan(value):
        return Shown("NAN", unit, parse_unit(unit).unit, None, Status.INVALID)
    if math.isinf(value):
        status = Status.ABOVE_RANGE if value > 0 else Status.BELOW_RANGE
        return Shown("INF" if value > 0 else "-INF", unit, parse_unit(unit).unit, None, status)
    return read_number(_shortest(value, size), unit)


def _shortest(value: float, size: int) -> str:
    """Write a binary number with the fewest digits that tell it from its neighbours."""
    if size > _SINGLE:
        return str(Decimal(repr(value)))
    for digits in range(6, 10):
        text = f"{value:.{digits}g}"
        if struct.pack(">f", float(text)) == struct.pack(">f", value):
            return text
    return repr(value)
