"""From a line of text as read to numbers, units, test points and directions. Pure text."""

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from capture.errors import InputError
from capture.model import parse_unit
from capture.photo.engine import ReadLine

WordKind = Literal["number", "unit", "point", "direction", "other"]

# Characters that recognisers give for others which look the same.
_SAME = {
    "\N{GREEK SMALL LETTER MU}": "\N{MICRO SIGN}",
    "\N{OHM SIGN}": "\N{GREEK CAPITAL LETTER OMEGA}",
    "\N{MINUS SIGN}": "-",
    "\N{EN DASH}": "-",
    "\N{EM DASH}": "-",
    "\N{CJK UNIFIED IDEOGRAPH-4E00}": "-",
    "\N{KATAKANA-HIRAGANA PROLONGED SOUND MARK}": "-",
    "\N{IDEOGRAPHIC COMMA}": ",",
    "\N{IDEOGRAPHIC FULL STOP}": ".",
    "\N{MIDDLE DOT}": ".",
    "\N{BULLET}": ".",
}
_NUMBER = re.compile(
    r"[<>]?[+-]?(?:\d[\d.,]*|[.,]\d+)|-{2,}(?:[.,]-+)?|(?<![A-Za-z])[O0]\.?L(?![A-Za-z])"
)
_UNIT = re.compile(r"[pnuµmkKMGT]?(?:Ω|[Oo]hms?|OHMS?|[Hh]z|H|sec|s|V|A|F|W|S)|%|°C?|deg")
_POINT = re.compile(r"[A-Z][12]?-[A-Z][12]?", re.IGNORECASE)
_DIRECTIONS = {
    "forward": "forward",
    "fwd": "forward",
    "forw": "forward",
    "reverse": "reverse",
    "rev": "reverse",
}
_LONGEST = 40  # characters of a number; no display shows so many
_GAP_IN_NUMBER = re.compile(r"(?<=\d) (?=[.,]\d)|(?<=\d[.,]) (?=\d)")


@dataclass(frozen=True, slots=True)
class Word:
    """One word of a line.

    Attributes:
        confidences: one for each character.
        start, end: middles of its first and last character, as a part of the line's width.
    """

    kind: WordKind
    text: str
    confidences: tuple[float, ...]
    start: float
    end: float


def words_of(line: ReadLine, directions: Mapping[str, str] | None = None) -> list[Word]:
    """Cut a line into words; a number and the unit that touches it are two words."""
    known = {**_DIRECTIONS, **{k.casefold(): v for k, v in (directions or {}).items()}}
    text, kept = _plain(line)
    words: list[Word] = []
    for match in re.finditer(r"\S+", text):
        words += _split(match.group(), kept[match.start() : match.end()], known)
    return words


def direction_of(text: str, directions: Mapping[str, str] | None = None) -> str | None:
    """Tell what a heading says of the direction of the leads."""
    named = {k.casefold(): v for k, v in (directions or {}).items()}
    return named.get(text.casefold()) or _DIRECTIONS.get(text.casefold())


def is_unit(text: str) -> bool:
    """Tell whether a text is a unit that is understood."""
    try:
        parse_unit(text)
    except InputError:
        return False
    return True


def is_same_unit(one: str, other: str) -> bool:
    """Tell whether two texts are spellings of one unit with one prefix."""
    return is_unit(one) and is_unit(other) and parse_unit(one) == parse_unit(other)


_Kept = list[tuple[float, float]]


def _plain(line: ReadLine) -> tuple[str, _Kept]:
    """Give the text with one spelling for what looks the same, and each character's figures."""
    text, kept = "", []
    for character, confidence, place in zip(line.text, line.confidences, line.places, strict=True):
        spelt = unicodedata.normalize("NFKC", character)
        spelt = spelt if len(spelt) == 1 else character
        text += _SAME.get(spelt, _SAME.get(character, spelt))
        kept.append((confidence, place))
    # A gap beside a decimal point is the point's own width.
    for match in reversed(list(_GAP_IN_NUMBER.finditer(text))):
        text = text[: match.start()] + text[match.end() :]
        del kept[match.start() : match.end()]
    return text, kept


def _split(text: str, kept: _Kept, directions: Mapping[str, str]) -> list[Word]:
    if _POINT.fullmatch(text):
        return [_word("point", text.upper(), kept)]
    if text.casefold() in directions:
        return [_word("direction", text, kept)]
    if _UNIT.fullmatch(text):
        return [_word("unit", text, kept)]
    number = _NUMBER.match(text)
    if number is None or number.end() > _LONGEST:
        return [_word("other", text, kept)]
    end = number.end()
    words = [_word("number", number.group(), kept[:end])]
    if end < len(text):
        rest = text[end:]
        # A second number cannot touch a first one: what cannot be cut stays with it, as no number.
        if _NUMBER.match(rest):
            return [_word("other", text, kept)]
        words.append(_word("unit" if _UNIT.fullmatch(rest) else "other", rest, kept[end:]))
    return words


def _word(kind: WordKind, text: str, kept: _Kept) -> Word:
    places = [place for _, place in kept]
    return Word(kind, text, tuple(each for each, _ in kept), min(places), max(places))
