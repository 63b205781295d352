"""The phases of six free ends against the frame and each other: what each must read.

With the whole winding on one lead nothing is asked of the insulation between phases: all of them
have one voltage then. So each phase is tested for itself, too, with the two others on the frame.
"""

from collections.abc import Mapping
from dataclasses import replace
from itertools import combinations
from math import inf
from typing import NamedTuple

from capture.judging.rated import letters_of
from capture.model.testpoint import TestPoint
from capture.winding import Limit, Result

_PHASES = frozenset("UVW")
#: What one phase should read with the two others earthed, in parts of the whole winding (IEEE Std
#: 43-2000, 12.3, from memory).
_SHARE = 2.0
OF_PHASES = (
    "each phase was tested with the two others earthed, and the limit is written for the whole "
    "winding: a phase that is below it fails, one that is above twice that keeps it (IEEE Std "
    "43-2000, 12.3, from memory), and what lies between stays undecided"
)
_CAN_BE = (
    "the other readings leave room for: look at the leads and at what was earthed, and take them "
    "again"
)
_FITS = 1.1  # a tenth for what absorption and scatter change from one reading to the next
ASK = "look at the other phases, and at earlier tests"


def phase_of(point: TestPoint) -> str | None:
    """Give the phase that a point tests against the frame and both others; None for all else."""
    letters = letters_of(point)
    sides = (point.first, point.second)
    if len(letters) != 1 or not letters <= _PHASES or ("frame",) not in sides:
        return None
    earthed = {mark.strip("0123456789") for mark in point.earth}
    return letters.pop() if earthed | letters == _PHASES else None


def phase_limits(limits: Mapping[str, Limit]) -> dict[str, Limit]:
    """Give, of limits for the whole, those that a phase beside it may have to keep: once, twice."""
    found: dict[str, Limit] = {}
    for kind, limit in limits.items():
        found[f"the whole's limit holds ({kind})"] = limit
        found[f"twice that is to be kept by one phase ({kind})"] = replace(
            limit,
            value=_SHARE * limit.value,
            source=f"twice that of {limit.source}; one phase with the others earthed: IEEE Std "
            "43-2000, 12.3",
            confidence=f"{limit.confidence}; twice: memory, high",
        )
    return found


def where_low(whole: Result, phases: Mapping[str, Result], ohms: float) -> list[str]:
    """Say where insulation that is below ``ohms`` leaks, a line a place; empty where none is.

    whole: all three phases to the frame. phases: each to the frame and the two others, by letter.
    ohms: the limit, at the temperature that the values are at.

    There are six paths, three to the frame and three between phases, and four readings: the whole
    is the three to the frame side by side, a phase is its own three. A place is named where the
    readings leave it no other way than to carry half of what the limit allows (network algebra).
    """
    if set(phases) != _PHASES:
        return []
    read = {phase: _siemens(each) for phase, each in phases.items()}
    frame = _siemens(whole)
    if (misfit := _misfit(frame, read)) is not None:
        return [misfit]
    allowed = 1 / ohms
    low = [phase for phase in sorted(read) if read[phase].least > allowed]
    if not low and frame.least <= allowed:
        return []
    named = [
        f"insulation of phase {phase} to the frame is low"
        for phase in sorted(read)
        if frame.least - sum(read[other].most for other in _PHASES - {phase}) >= allowed / 2
    ]
    if not named and frame.least > allowed:
        named.append("insulation to the frame is low, and the readings do not tell in which phase")
    for one, other in combinations(sorted(read), 2):
        (third,) = _PHASES - {one, other}
        apart = read[one].least + read[other].least - read[third].most - frame.most
        if apart / 2 >= allowed / 2:
            named.append(f"insulation between the phases {one} and {other} is low")
    if named:
        return named
    return [f"insulation of {', '.join(low)} is low, and the readings point to no single place"]


class _Siemens(NamedTuple):
    """What a reading leaves of its conductance, S: between these two."""

    least: float
    most: float


def _siemens(result: Result) -> _Siemens:
    siemens = 1 / result.value if result.value else inf
    match result.bound:
        case "above":
            return _Siemens(0.0, siemens)
        case "below":
            return _Siemens(siemens, inf)
        case _:
            return _Siemens(siemens, siemens)


def _misfit(frame: _Siemens, read: Mapping[str, _Siemens]) -> str | None:
    """Say which reading no six paths can give; None where they can, within a tenth.

    A phase carries at most what all phases carry to the frame, and what each other phase carries.
    """
    for phase in sorted(read):
        others = sum(read[other].most for other in _PHASES - {phase})
        if read[phase].least > _FITS * (frame.most + others):
            return f"phase {phase} reads less than {_CAN_BE}"
    if frame.least > _FITS * sum(each.most for each in read.values()):
        return f"the whole reads less than {_CAN_BE}"
    return None
