"""From lines that a meter sent to a proposal how to read them. Pure: no questions, no files.

Strategy: a line is cut into tokens (numbers, clocks, dates, blanks, words). Lines with the same
kinds of token in the same order, and the same words before the first number, are one form; a unit
behind a number belongs to it, whether a line has it or not. What a token means is asked of a
person, who can see the meter.
"""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from capture.driver.checksums import CHECKSUMS
from capture.errors import InputError
from capture.model import parse_unit


class TokenKind(StrEnum):
    """What a piece of a line looks like."""

    NUMBER = "number"
    """A number, a bound, or what stands in place of one: OL, dashes."""
    CLOCK = "clock"
    DATE = "date"
    BLANK = "blank"
    UNIT = "unit"
    WORD = "word"
    MARK = "mark"


@dataclass(frozen=True, slots=True)
class Token:
    """A piece of a line."""

    kind: TokenKind
    text: str


_TOKEN = re.compile(
    r"(?P<date>[0-9]{4}-[0-9]{2}-[0-9]{2}[ T][0-9]{2}:[0-9]{2}(?::[0-9]{2})?)"
    r"|(?P<clock>[0-9]+:[0-9]{2}(?::[0-9]{2})?)"
    r"|(?P<number>[<>]?[-+]?(?:[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)(?:[eE][-+]?[0-9]+)?"
    r"|[-+]?\bO\.?L\b\.?|-{2,})"
    r"|(?P<blank>[ \t]+)"
    r"|(?P<word>[^\W\d_][\w!]*|[°%Ω][A-Za-z]?)"
    r"|(?P<mark>.)",
    re.DOTALL,
)

_NUMBER = r"[<>]?[-+]?[0-9]*[.,]?[0-9]+(?:[eE][-+]?[0-9]+)?|[-+]?O\.?L\.?|-{2,}"
# A place that never held a number was seen without its unit: a number there could mean anything.
_NO_NUMBER = r"[-+]?O\.?L\.?|-{2,}"
_SHAPES = {
    TokenKind.CLOCK: r"[0-9]+(?::[0-9]{2}){1,2}",
    TokenKind.DATE: r"[0-9]{4}-[0-9]{2}-[0-9]{2}[ T][0-9:]+",
    TokenKind.NUMBER: _NUMBER,
}
_PREFIXES = "[pnuµmkKMGT]?"
_FEWEST_CHECKED = 2
_FEWEST_FOR_PARITY = 16
#: Printable ASCII, and what frames a line: STX, ETX, TAB, LF, CR.
_PLAIN = frozenset(range(0x20, 0x7F)) | {0x02, 0x03, 0x09, 0x0A, 0x0D}
_BETWEEN_COLUMNS = frozenset(",;:|/=()[]")


@dataclass
class Place:
    """A token's place in a form: what stood there in the lines that were seen."""

    kind: TokenKind
    texts: Counter[str] = field(default_factory=Counter)
    units: Counter[str] = field(default_factory=Counter)
    """Units seen behind it."""
    spaced: bool = False
    """Whether a blank stood before the unit."""

    @property
    def text(self) -> str:
        """The commonest text."""
        return self.texts.most_common(1)[0][0]

    @property
    def constant(self) -> bool:
        """Whether the same text stood there in every line."""
        return len(self.texts) == 1

    @property
    def numbers(self) -> bool:
        """Whether a number was seen there, and not only what stands in place of one."""
        return any(not re.fullmatch(_NO_NUMBER, text) for text in self.texts)


@dataclass
class Form:
    """Lines with the same kinds of token in the same order."""

    places: list[Place]
    lines: list[str] = field(default_factory=list)


@dataclass
class Seen:
    """What lines look like, as far as they tell it."""

    encoding: str
    start: str
    terminator: str | None
    decimal: str
    checksum: tuple[str, str] | None
    """Kind and the mark before it."""
    forms: list[Form]
    """The commonest first."""


def look_at(data: bytes) -> Seen:
    """Find out what the lines in ``data`` look like. The first, which may be cut, is left out.

    Raises:
        InputError: there are no whole lines in it, or the port was set wrongly: half-read digits
            would pass for numbers.
    """
    parity = seven_bits(data)
    if parity is not None:
        raise InputError(
            f"what came are seven data bits with parity {parity}, heard as eight without; listen "
            f"again with --data-bits 7 --parity {parity}"
        )
    terminator, lines = _lines(data)
    encoding = _encoding(b"".join(lines))
    texts = [line.decode(encoding, "replace") for line in lines]
    start = ""
    if all(text.startswith("\x02") for text in texts):
        start = "\x02"
        texts = [text[1:] for text in texts]
    checksum = _checksum([line[len(start) :] for line in lines])
    if checksum is not None:
        cut = len(checksum[1]) + 2 * CHECKSUMS[checksum[0]].size
        texts = [text[:-cut] for text in texts]
    return Seen(encoding, start, terminator, _decimal(texts), checksum, _forms(texts))


def seven_bits(data: bytes) -> str | None:
    """Tell which parity the eighth bit of every byte is, where it is one: even, odd or mark.

    Text at eight bits has none: its letters and digits have now an even number of ones, now an odd.
    """
    if len(data) < _FEWEST_FOR_PARITY or data.isascii():
        return None
    if not all(byte & 0x7F in _PLAIN for byte in data):
        return None  # no text under it either: a wrong baud rate, or packed frames
    if all(byte & 0x80 for byte in data):
        return "mark"
    ones = {byte.bit_count() % 2 for byte in data}
    return None if len(ones) > 1 else "odd" if ones == {1} else "even"


def pattern_of(form: Form, names: dict[int, str]) -> str:
    """Write a form as a regular expression; ``names`` gives the places that are fields.

    Words and marks stand as they were seen; a place without a name that varies may hold anything
    of its kind.
    """
    parts = []
    for index, place in enumerate(form.places):
        name = names.get(index)
        if place.kind is TokenKind.BLANK:
            parts.append(" +")
        elif place.kind in _SHAPES:
            shape = _SHAPES[place.kind]
            if place.kind is TokenKind.NUMBER and not place.units and not place.numbers:
                shape = _NO_NUMBER
            parts.append(f"(?P<{name}>{shape})" if name else f"(?:{shape})")
            if place.units:
                unit = f"{name}_unit" if name and name != "value" else "unit"
                group = f"(?P<{unit}>{_unit_pattern(place.units)})" if name else "(?:[^ ]*)"
                parts.append(f"(?: *{group})?")
        else:
            # Only what was seen: else a unit would be taken for a flag, and a line read twice.
            seen = "|".join(re.escape(text) for text in place.texts)
            parts.append(f"(?P<{name}>{seen})" if name else f"(?:{seen})")
    return "".join(parts)


def checksum_pattern(seen: Seen) -> str:
    """Write the checksum of a whole line as a regular expression; empty where lines have none.

    A line to be ignored is looked at whole: its checksum is no part of a form.
    """
    if seen.checksum is None:
        return ""
    kind, mark = seen.checksum
    return f"{re.escape(mark)}[0-9A-Fa-f]{{{2 * CHECKSUMS[kind].size}}}"


def word_beside(form: Form, index: int) -> int | None:
    """Find the word that stands in the next column behind a number and may be its unit."""
    for at in range(index + 1, len(form.places)):
        place = form.places[at]
        if place.kind is TokenKind.WORD:
            return at
        if place.kind is TokenKind.BLANK or set(place.texts) <= _BETWEEN_COLUMNS:
            continue
        return None
    return None


def unit_fault(text: str) -> str | None:
    """Say what is wrong with a unit as shown; None where it is understood."""
    try:
        parse_unit(text)
    except InputError as error:
        return str(error)
    return None


def tokens_of(text: str) -> list[Token]:
    """Cut a line into tokens; what stands right behind a number or a blank behind it is a unit."""
    found: list[Token] = []
    for match in _TOKEN.finditer(text.strip()):
        kind = TokenKind(match.lastgroup or "mark")
        found.append(Token(kind, match.group()))
    for index, token in enumerate(found):
        if token.kind is not TokenKind.WORD or not _may_be_unit(token.text):
            continue
        before = [each.kind for each in found[max(0, index - 2) : index]]
        if before[-1:] == [TokenKind.NUMBER] or before == [TokenKind.NUMBER, TokenKind.BLANK]:
            found[index] = Token(TokenKind.UNIT, token.text)
    return found


def _may_be_unit(text: str) -> bool:
    """Tell whether a word can be a unit; one whose prefix is ambiguous is asked about later."""
    fault = unit_fault(text)
    return fault is None or "ambiguous" in fault or text == "C"


def _lines(data: bytes) -> tuple[str | None, list[bytes]]:
    ends = None if b"\n" in data or b"\r" in data else "\x03"
    pieces = re.split(rb"[\r\n]+" if ends is None else b"\x03", data)
    lines = [piece for piece in pieces[1:-1] if piece.strip(b" \0")]
    if not lines:
        raise InputError(
            "no whole line was seen: fewer than two line ends came; listen longer, check the baud "
            "rate, or describe packed frames by hand (docs/profiles.md)"
        )
    return ends, lines


def _encoding(data: bytes) -> str:
    if data.isascii():
        return "ascii"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        # Ω, µ and ° of the old code page; what Latin-1 has there is rare in a meter's lines.
        return "cp437" if set(data) & {0xEA, 0xE6, 0xF8} else "latin-1"
    return "utf-8"


def _decimal(texts: Sequence[str]) -> str:
    commas = sum(len(re.findall(r"[0-9],[0-9]", text)) for text in texts)
    points = sum(len(re.findall(r"[0-9]\.[0-9]", text)) for text in texts)
    return "comma" if commas > points else "point"


def _checksum(lines: Sequence[bytes]) -> tuple[str, str] | None:
    """Find a checksum in hex at the end that agrees on every line."""
    if len(set(lines)) < _FEWEST_CHECKED:
        return None
    for kind, known in CHECKSUMS.items():
        width = 2 * known.size
        for mark_length in (1, 0):
            if all(_agrees(line, kind, width, mark_length) for line in lines):
                mark = lines[0][-width - mark_length : -width] if mark_length else b""
                return kind, mark.decode("latin-1")
    return None


def _agrees(line: bytes, kind: str, width: int, mark_length: int) -> bool:
    sent = line[-width:]
    if len(line) <= width + mark_length or not re.fullmatch(rb"[0-9A-Fa-f]+", sent):
        return False
    return CHECKSUMS[kind].compute(line[: -width - mark_length]) == int(sent, 16)


def _forms(texts: Sequence[str]) -> list[Form]:
    forms: dict[tuple[str, ...], Form] = {}
    for text in texts:
        tokens = tokens_of(text)
        places: list[tuple[Token, Token | None, bool]] = []
        for token in tokens:
            if token.kind is TokenKind.UNIT:
                spaced = places[-1][0].kind is TokenKind.BLANK
                if spaced:
                    places.pop()
                places[-1] = (places[-1][0], token, spaced)
            else:
                places.append((token, None, False))
        key = _key_of([token for token, _, _ in places])
        form = forms.setdefault(key, Form([Place(token.kind) for token, _, _ in places]))
        form.lines.append(text)
        for place, (token, unit, spaced) in zip(form.places, places, strict=True):
            place.texts[token.text] += 1
            place.spaced |= spaced
            if unit is not None:
                place.units[unit.text] += 1
    return sorted(forms.values(), key=lambda form: -len(form.lines))


def _key_of(tokens: Sequence[Token]) -> tuple[str, ...]:
    """Give what lines of one form have in common: kinds, marks, and the words before the value."""
    key: list[str] = []
    leading = True
    for token in tokens:
        leading = leading and token.kind is not TokenKind.NUMBER
        says_itself = token.kind is TokenKind.MARK or (token.kind is TokenKind.WORD and leading)
        key.append(f"={token.text}" if says_itself else token.kind)
    return tuple(key)


def _unit_pattern(units: Counter[str]) -> str:
    """Allow every prefix before the units that were seen: a meter changes its range."""
    bases = set()
    for text in units:
        prefixed = unit_fault(text) is None and parse_unit(text).exponent != 0
        base = text[1:] if prefixed else text
        takes_prefix = unit_fault(f"k{base}") is None
        bases.add(f"{_PREFIXES if takes_prefix else ''}{re.escape(base)}")
    return "|".join(sorted(bases))
