"""What a keyboard, a tablet or a paste makes of a value, put straight; a refusal says what is odd.

Only what means the same is put straight: full-width characters, marks that no eye sees, a dash of
another length, a space inside a unit. A letter is never changed to another case, since mΩ and MΩ
are nine decades apart, and a raised digit never comes down.
"""

import re

from capture.errors import InputError
from capture.model import Shown, parse_shown
from capture.model.shown import DecimalMark
from capture.model.units import UNIT_CODES, parse_unit

# U+FF01 to U+FF5E stand 0xFEE0 above ASCII (Unicode, Halfwidth and Fullwidth Forms).
_STRAIGHT = {code: code - 0xFEE0 for code in range(0xFF01, 0xFF5F)} | {0x3000: " "}
# Zero-width space and joiners, marks of direction, word joiner, byte order mark, soft hyphen.
_UNSEEN = dict.fromkeys(
    [*range(0x200B, 0x2010), *range(0x202A, 0x202F), *range(0x2060, 0x2065), 0xFEFF, 0xAD]
)
_DASHES = dict.fromkeys(range(0x2010, 0x2016), "-")
_LONG_DASHES = re.compile("[\u2014\u2015]+")
_PARTED_DASHES = re.compile(r"-+(?: -+)+")
_PARTED_UNIT = re.compile(r"(?<=[0-9.,\s][pnu\u00b5\u03bcmkKMGT])\s+(?=[^\s0-9])")
_OVERLOAD = re.compile(r"([+-]?\s*)[O0o]\.?\s+([Ll])(?![A-Za-z])")
_NUMBER = re.compile(r"\s*[<>]?\s*[+\-\u2212]?[0-9]*[.,]?[0-9]+[.,]?")
_PREFIX = re.compile(r"[pnu\u00b5\u03bcmkKMGT]")
_RAISED = re.compile(
    "[\u00b2\u00b3\u00b9\u2070-\u2079\u207a\u207b\u00d7^]|\\*\\s*10"  # also ×10 and 10^
)


def read_typed(text: str, *, mark: DecimalMark = "auto", default_unit: str = "") -> Shown:
    """Read one value as a person typed it.

    Raises:
        InputError: as `parse_shown`; says what is odd about it, in one line.
    """
    straight = straightened(text)
    try:
        return parse_shown(straight, mark=mark, default_unit=default_unit)
    except InputError as error:
        why = _odd(straight, default_unit)
        if why is None:
            raise
        raise InputError(f"{straight!r} {why}") from error


def straightened(text: str) -> str:
    """Give the text as a keyboard with nothing but ASCII marks would have given it."""
    text = " ".join(text.translate(_STRAIGHT).translate(_UNSEEN).split())
    if _LONG_DASHES.fullmatch(text):
        return "---"  # as instruments show that there is no value; a short one is no sign of it
    text = text.translate(_DASHES)
    if _PARTED_DASHES.fullmatch(text):
        return "---"
    text = _OVERLOAD.sub(r"\1O\2", text)
    # What ends a line of a note or a table ends no unit.
    text = re.sub(r"(?<=[^\s0-9.,;])[.;]+$|(?<=[0-9]);+$", "", text)
    return _PARTED_UNIT.sub("", text)


def as_typed(text: str) -> str:
    """Give what was typed as it is kept: one line, without marks that no eye sees."""
    return " ".join(text.translate(_UNSEEN).split())


def plain(text: str) -> str:
    """Give a line with nothing but ASCII letters, digits and dashes where those are meant."""
    return " ".join(text.translate(_STRAIGHT).translate(_UNSEEN).translate(_DASHES).split())


def _odd(text: str, default_unit: str) -> str | None:
    """Say what is odd about a text that is no value; None where the refusal says enough."""
    found = _NUMBER.match(text)
    if found is None:
        return None
    rest = text[found.end() :].strip()
    if _RAISED.search(rest):
        return "has a power of ten or a raised digit; write it as in 8.42E-1 Ω"
    if _PREFIX.fullmatch(rest):
        base = default_unit[1:] if _PREFIX.match(default_unit) else default_unit
        return f"has a prefix without its unit; write it whole, as in {rest}{base or 'Ω'}"
    if re.match(r"[A-Za-z][0-9]", rest):
        return "has a letter in its number; write it with a decimal point, and the unit behind it"
    if re.match(r"\W+[0-9]", rest) and rest[0] not in "\u00b0%":
        return f"goes on after {found.group().strip()!r}; a value is one number with its unit"
    return _other_case(rest)


def _other_case(unit: str) -> str | None:
    """Name the units that are written like this one, but for the case of a letter."""
    if not unit or len(unit) > 8:  # noqa: PLR2004 - no unit with its prefix is longer
        return None
    try:
        parse_unit(unit)
    except InputError as error:
        if "ambiguous" in str(error):
            return None  # that says more
    else:
        return None
    like = [each for each in _spellings() if each.casefold() == unit.casefold()]
    if not like:
        return None
    return f"has the unit {unit!r}, which is not known; is {' or '.join(like)} meant? Write it so"


def _spellings() -> list[str]:
    """List units with prefixes as they may be meant, the usual first."""
    prefixes = ("", "m", "\u00b5", "k", "M", "G", "n", "p", "T")
    bases = ("\u03a9", *(each for each in UNIT_CODES if each.isalpha()))
    found = []
    for prefix in prefixes:
        for base in bases:
            try:
                parse_unit(f"{prefix}{base}")
            except InputError:
                continue
            found.append(f"{prefix}{base}")
    return found
