"""Several values that stood on one display, as lines: each with its test point, or all without."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

from capture.errors import ConfigError, InputError
from capture.keying.reading import Keying, make_reading, with_loss
from capture.keying.typed import plain
from capture.model import Direction, ReadingDraft, TestPoint, new_id
from capture.model.loss import split_loss

#: Order in which a pulse comparison's six times are taken: three pairs, both directions.
SIX = ("U-V", "V-U", "V-W", "W-V", "W-U", "U-W")

BLOCK_FORMS = (
    "`U-V 87.42 µs`, `U-V reverse 87.42 µs`, or `87.42 µs` alone in the instrument's order"
)

# A terminal may have its winding's or pole's number before it, 1F1-1F2; 1E-3 is a number.
_BEGINS_POINT = re.compile(r"[1-9](?![Ee]-)[A-Za-z]|[^\W\d_]")
_DIRECTIONS = frozenset(direction.value for direction in Direction)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a block: where the leads sat, and the value as typed."""

    point: TestPoint | None
    typed: str
    number: int = 0
    """Its line in what was handed in."""
    loss: str | None = None
    """What stood beside an inductance, with its name."""


def make_block(keying: Keying, lines: Sequence[Line]) -> list[ReadingDraft]:
    """Make drafts of all values that stood on one display; they share a group.

    Where losses stand beside them, each inductance and its loss are a display of their own.

    Raises:
        ConfigError: one line per fault; nothing is to be stored then.
    """
    group = new_id()
    drafts: list[ReadingDraft] = []
    faults = []
    for place, line in enumerate(lines, start=1):
        number = line.number or place
        try:
            if line.loss is not None:
                drafts += with_loss(
                    keying,
                    partial(make_reading, typed=line.typed, point=line.point, group=new_id()),
                    line.loss,
                )
                continue
            drafts.append(make_reading(keying, line.typed, line.point, group=group))
        except InputError as error:
            faults.append(f"line {number}: {error}")
    if faults:
        raise ConfigError(faults)
    return drafts


def parse_block(text: str, order: Sequence[str] = ()) -> list[Line]:
    """Read a small table: one value a line, each with its test point, or all without.

    Values without test points are given those of ``order``, one after another; there must be as
    many. Empty lines and lines that start with ``#`` are passed over.

    Raises:
        ConfigError: one line per fault.
    """
    numbered = [(number, row.strip()) for number, row in enumerate(text.splitlines(), start=1)]
    rows = [(number, row) for number, row in numbered if row and not row.startswith("#")]
    if not rows:
        raise ConfigError([f"no values; write one a line: {BLOCK_FORMS}"])
    lines, faults = [], []
    for number, row in rows:
        try:
            lines.append(replace(_parse_line(row), number=number))
        except InputError as error:
            faults.append(f"line {number}: {error}")
    if faults:
        raise ConfigError(faults)
    return _placed(lines, order)


def _parse_line(row: str) -> Line:
    words = row.replace(";", " ").replace("|", " ").split()
    if not words:
        raise InputError(f"{row!r} has no value; write {BLOCK_FORMS}")
    first = plain(words[0]).rstrip(":=")
    if not _BEGINS_POINT.match(first) or "-" not in first:
        return _line(None, " ".join(words))
    point = TestPoint.parse(first)
    rest = words[1:]
    if rest and rest[0] in (":", "="):
        rest = rest[1:]
    if rest and rest[0].lower() in _DIRECTIONS:
        point = point.towards(Direction(rest[0].lower()))
        rest = rest[1:]
    if not rest:
        raise InputError(f"{row!r} has no value; write {BLOCK_FORMS}")
    return _line(point, " ".join(rest))


def _line(point: TestPoint | None, text: str) -> Line:
    typed, loss = split_loss(text)
    return Line(point, typed, loss=loss)


def _placed(lines: list[Line], order: Sequence[str]) -> list[Line]:
    without = [line for line in lines if line.point is None]
    if without and len(without) < len(lines):
        raise ConfigError(
            [f"some values have a test point and some have none; write {BLOCK_FORMS}"]
        )
    if without and order:
        if len(lines) != len(order):
            raise ConfigError(
                [f"{len(lines)} values for the {len(order)} test points {', '.join(order)}"]
            )
        points = [TestPoint.parse(text) for text in order]
        lines = [replace(line, point=point) for point, line in zip(points, lines, strict=True)]
    points_used = [str(line.point) for line in lines if line.point is not None]
    twice = sorted({point for point in points_used if points_used.count(point) > 1})
    if twice:
        raise ConfigError([f"test point {point} stands twice in the block" for point in twice])
    return lines
