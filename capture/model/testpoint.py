"""Where the leads sit: a test point, its terminals, and the pair and direction that follow.

Terminal marks are those of IEC 60034-8 (U1 V1 W1 / U2 V2 W2, K L M for a wound rotor); the marks
T1…T12 of North American machines are taken as aliases and stored as the IEC mark.

Written form: ``U-V``, ``U1-U2``, ``U+V+W-frame``, ``U-frame guard V earth W``. The first lead sits
left of the dash. Pair and direction are derived, never stored apart: canonical pairs are U-V, V-W
and W-U; the same pair with the leads swapped is ``reverse``.
"""

import re
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Self

from capture.errors import InputError

FORMS = "U-V, V-U, U1-U2, T1-T2, U+V+W-frame, U-frame guard V earth W"

# Equivalents by IEC 60034-8 and NEMA MG 1 for up to twelve leads.
_ALIASES = {
    "T1": "U1",
    "T2": "V1",
    "T3": "W1",
    "T4": "U2",
    "T5": "V2",
    "T6": "W2",
    "T7": "U5",
    "T8": "V5",
    "T9": "W5",
    "T10": "U6",
    "T11": "V6",
    "T12": "W6",
    "PE": "frame",
    "FRAME": "frame",
    "EARTH": "frame",
    "GROUND": "frame",
}
_TERMINAL = re.compile(r"[1-9]?[A-Z]{1,3}[0-9]{0,2}(?:-[1-9])?\Z|frame\Z")
_PHASE = re.compile(r"(?P<winding>[1-9]?)(?P<letter>[UVWKLM])(?P<end>[0-9]?)\Z")
_CANONICAL = ("UV", "VW", "WU", "KL", "LM", "MK")
_MOST_TERMINALS = 24


class Direction(StrEnum):
    """Which way round the two leads sit on a canonical pair."""

    FORWARD = "forward"
    REVERSE = "reverse"


def terminal(mark: str) -> str:
    """Give the IEC mark of a terminal; aliases (T1…T12, PE) are translated.

    Raises:
        InputError: not a terminal mark.
    """
    text = mark.strip()
    upper = text.upper()
    name = _ALIASES.get(upper, upper)
    if not _TERMINAL.match(name):
        raise InputError(f"{text!r} is not a terminal; written forms of a test point: {FORMS}")
    return name


@dataclass(frozen=True, slots=True)
class TestPoint:
    """Two ordered sets of terminals, plus those that are guarded and those that are earthed.

    Attributes:
        first: terminals on the first lead, in IEC marks.
        second: terminals on the second lead.
        guard: terminals on the guard.
        earth: terminals joined to the frame.
    """

    __test__ = False  # pytest: the name is the field's, this is no test class

    first: tuple[str, ...]
    second: tuple[str, ...]
    guard: tuple[str, ...] = ()
    earth: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse empty leads and a terminal that would sit in two places."""
        if not self.first or not self.second:
            raise InputError(f"a test point needs a terminal on both leads; written forms: {FORMS}")
        every = (*self.first, *self.second, *self.guard, *self.earth)
        if len(every) > _MOST_TERMINALS:
            raise InputError(f"a test point has at most {_MOST_TERMINALS} terminals")
        for name in every:
            if terminal(name) != name:
                raise InputError(f"terminal {name!r} must be written {terminal(name)!r}")
            if every.count(name) > 1:
                raise InputError(f"terminal {name} stands twice in one test point")

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read the written form.

        Raises:
            InputError: not a test point; says the accepted forms.
        """
        words = text.split()
        places: dict[str, tuple[str, ...]] = {}
        if len(words) % 2 == 0 or len(text) > 200:  # noqa: PLR2004 - longer than 24 terminals
            raise InputError(f"{text[:60]!r} is not a test point; written forms: {FORMS}")
        for place, marks in zip(words[1::2], words[2::2], strict=True):
            if place not in ("guard", "earth") or place in places:
                raise InputError(f"{place!r} in {text!r} is neither guard nor earth; {FORMS}")
            places[place] = _terminals(marks)
        first, dash, second = words[0].partition("-")
        if not dash or not first or not second:
            raise InputError(f"{text!r} is not a test point; written forms: {FORMS}")
        return cls(_terminals(first), _terminals(second), **places)

    def __str__(self) -> str:
        text = f"{'+'.join(self.first)}-{'+'.join(self.second)}"
        if self.guard:
            text += f" guard {'+'.join(self.guard)}"
        if self.earth:
            text += f" earth {'+'.join(self.earth)}"
        return text

    def swapped(self) -> "TestPoint":
        """Give the same point with the two leads changed over."""
        return replace(self, first=self.second, second=self.first)

    @property
    def direction(self) -> Direction | None:
        """Forward or reverse on a canonical pair or a phase's two ends; None for anything else."""
        found = self._pair()
        return None if found is None else found[1]

    @property
    def pair(self) -> str | None:
        """The canonical pair, such as ``U-V`` or ``U1-U2``; None where there is none."""
        found = self._pair()
        return None if found is None else found[0]

    def towards(self, direction: Direction) -> "TestPoint":
        """Give this pair in the direction asked for.

        A point that is written reverse already contradicts ``forward``.

        Raises:
            InputError: the point is no canonical pair, or is itself written the other way.
        """
        if self.direction is None:
            raise InputError(
                f"{self} is not a pair, so it has no direction; swap the two leads in it"
            )
        if self.direction is direction:
            return self
        if direction is Direction.REVERSE:
            return self.swapped()
        raise InputError(
            f"{self} is the reverse of {self.pair}; that contradicts direction forward"
        )

    def _pair(self) -> tuple[str, Direction] | None:
        if len(self.first) != 1 or len(self.second) != 1:
            return None
        one, two = _PHASE.match(self.first[0]), _PHASE.match(self.second[0])
        if one is None or two is None or one["winding"] != two["winding"]:
            return None
        if one["letter"] == two["letter"]:
            if not one["end"] or not two["end"]:
                return None
            ends = sorted((self.first[0], self.second[0]))
            forward = ends[0] == self.first[0]
            return f"{ends[0]}-{ends[1]}", Direction.FORWARD if forward else Direction.REVERSE
        if one["end"] != two["end"]:
            return None
        letters = one["letter"] + two["letter"]
        if letters in _CANONICAL:
            return f"{self.first[0]}-{self.second[0]}", Direction.FORWARD
        if letters[::-1] in _CANONICAL:
            return f"{self.second[0]}-{self.first[0]}", Direction.REVERSE
        return None


def _terminals(marks: str) -> tuple[str, ...]:
    return tuple(terminal(mark) for mark in marks.split("+"))
