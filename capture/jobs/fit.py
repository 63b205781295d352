"""What fits a step: which readings may be taken for it, and for which points.

Pure; knows no journal.
"""

from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from capture.errors import InputError
from capture.jobs.procedure import Step
from capture.jobs.state import JobState
from capture.model import PointOfTest, ReadingDraft, TestPoint
from capture.winding import PulseReadings, WindingError, pulse_comparison


def elapsed_of(body: Mapping[str, Any]) -> float | None:
    """Give the seconds into its series; None where the reading stands in none."""
    series = body.get("series")
    return None if not series else float(series["elapsed"])


def value_of(body: Mapping[str, Any], quantity: str) -> float | None:
    """Give the number, base unit, of a stored reading of this quantity; None for another one."""
    value = body.get("value")
    if body.get("quantity") != quantity or not isinstance(value, int | float):
        return None
    return float(value)


def of_energy(step: Step, body: Mapping[str, Any]) -> bool:
    """Tell whether a reading may be what a step asks for: alternating ohms are no direct ones."""
    return step.energy != "direct-current" or "frequency" not in (body.get("conditions") or {})


def points_of(step: Step, bodies: Sequence[Mapping[str, Any]]) -> list[PointOfTest | None]:
    """Give the test point of each reading that a step takes.

    Of a block, what stands in the reading goes before the step's order, as it does for results;
    what stood beside the values of a block has none.
    """
    if len(step.points) == 1:
        return [PointOfTest.of(TestPoint.parse(step.points[0]))] * len(bodies)
    order = iter(step.points)
    found: list[PointOfTest | None] = []
    for body in bodies:
        if body["quantity"] != step.quantity:
            found.append(None)
            continue
        own, place = (body.get("tag") or {}).get("test_point"), next(order, None)
        if own:
            found.append(PointOfTest.model_validate(own))
        else:
            found.append(None if place is None else PointOfTest.of(TestPoint.parse(place)))
    return found


def refuse_twice(
    state: JobState, step: Step, readings: Sequence[UUID], bodies: Sequence[Mapping[str, Any]]
) -> None:
    """Refuse a reading that would stand for two values.

    Raises:
        InputError: it stands twice, or another step of its quantity has taken it.
    """
    if len(set(readings)) < len(readings):
        raise InputError("a reading stands twice; each value is a reading of its own")
    for other in state.steps.values():
        if other.step.id == step.id or other.step.quantity != step.quantity:
            continue
        for reading, body in zip(readings, bodies, strict=True):
            if reading in other.readings and body["quantity"] == step.quantity:
                raise InputError(
                    f"reading {reading} is taken for step {other.step.id}; redo that step first"
                )


def shown_deviation(step: Step, drafts: Sequence[ReadingDraft]) -> float | None:
    """Compute the deviation that an instrument would show: (largest - smallest) / largest, in %.

    None where the values are not six times of three pairs, or none can be compared.
    """
    times: dict[str, tuple[list[float], list[float]]] = {}
    for text, draft in zip(step.points, drafts, strict=False):
        point = TestPoint.parse(text)
        if point.pair is None or draft.value is None:
            return None
        place = 0 if point.direction == "forward" else 1
        times.setdefault(point.pair, ([], []))[place].append(draft.value)
    readings = {
        pair: PulseReadings(forward=there or back, reverse=back if there else [])
        for pair, (there, back) in times.items()
    }
    try:
        return float(pulse_comparison(readings, "unknown", "span-max").deviation.value)
    except WindingError:
        return None
