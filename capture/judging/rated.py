"""Whose rated voltage a nameplate gives: that of the main winding, not of all that leads can touch.

A rotor's winding, a separately excited field, detectors and heaters have voltages of their own,
mostly far lower ones. What follows from the rated voltage (a test voltage, a least insulation) is
not said of them.
"""

import re
from collections.abc import Iterable

from capture.model.machine import WindingType
from capture.model.testpoint import TestPoint

_LETTERS = re.compile(r"[1-9]?([A-Z]+)")
# IEC 60034-8 (from memory): U V W and N of an alternating-current winding, Z an auxiliary one of a
# single-phase machine; A armature, B commutating, C compensating, D series, E shunt, all on the
# machine's own voltage. X and Y are, with Z, the older marks of ends.
_MAIN = frozenset("UVWNXYZABCDE")
# Separately excited, and I, J auxiliary fields: main only where the nameplate is that of a field.
_FIELD = frozenset("FIJ")
_PHASES = frozenset("UVW")
_FRAME = "frame"


def speaks_of(point: TestPoint, winding: WindingType) -> bool:
    """Tell whether a nameplate's rated voltage is that of all that the two leads sit on."""
    main = _MAIN | _FIELD if winding == "field" else _MAIN
    return bool(letters := letters_of(point)) and letters <= main


def is_whole(point: TestPoint) -> bool:
    """Tell whether one lead sits on all three phases joined, and the other on the frame."""
    sides = (point.first, point.second)
    return (_FRAME,) in sides and letters_of(point) >= _PHASES


def is_single_phase(places: Iterable[set[str]]) -> bool:
    """Tell whether places are of a main winding U and an auxiliary one Z, and of no third phase.

    Each is read between its own ends, and they are not built alike (IEC 60034-8, from memory).
    ``places``: the letters of each, as ``letters_of`` gives them.
    """
    found = list(places)
    return {"Z"} in found and all(letters in ({"U"}, {"Z"}) for letters in found)


def letters_of(point: TestPoint) -> set[str]:
    """Give the letters of the terminals that the two leads sit on, without numbers and frame."""
    marks = [mark for mark in (*point.first, *point.second) if mark != _FRAME]
    found = [_LETTERS.match(mark) for mark in marks]
    return {each[1] for each in found if each is not None}
