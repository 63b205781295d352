"""The phases of six free ends against the frame and each other: what each must read.

With the whole winding on one lead nothing is asked of the insulation between phases: all of them
have one voltage then. So each phase is tested for itself, too, with the two others on the frame.
"""

from collections.abc import Mapping
from dataclasses import replace
from itertools import combinations

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


def where_low(whole: Result, phases: Mapping[str, Result], ohms: float) -> str:
    """Say where the insulation that is below ``ohms`` leaks; empty where none is, or none can tell.

    whole: all three phases to the frame. phases: each to the frame and the two others, by letter.
    ohms: the limit, at the temperature that the values are at.
    What leaks between two phases lowers both of them and leaves the whole as it is; what leaks to
    the frame lowers the whole as well.
    """
    if set(phases) != _PHASES:
        return ""
    judged = {phase: _is_low(each, ohms) for phase, each in phases.items()}
    to_frame = _is_low(whole, ohms)
    if to_frame is None or None in judged.values():
        return ""
    low = [phase for phase in sorted(judged) if judged[phase]]
    if not low:
        return ""
    if to_frame:
        if len(low) == 1:
            return f"insulation of phase {low[0]} to the frame is low; the other phases are not"
        them = ", ".join(low)
        return f"insulation of the phases {them} is low: to the frame, and perhaps to each other"
    if len(low) == 1:
        return (
            f"phase {low[0]} alone reads low, and neither the whole nor another phase does: these "
            "do not fit together; look at the leads and at what was earthed, and take them again"
        )
    if len(low) == 2:  # noqa: PLR2004 - one pair
        which = f"between the phases {low[0]} and {low[1]}"
    else:
        which = f"between phases, of {', '.join('-'.join(pair) for pair in combinations(low, 2))}"
    return f"insulation {which} is low; that to the frame is not"


def _is_low(result: Result, ohms: float) -> bool | None:
    """Tell whether a value is below a limit; None where its bound does not say."""
    if result.bound is None:
        return result.value < ohms
    if result.bound == "above":
        return False if result.value >= ohms else None
    return True if result.value <= ohms else None
