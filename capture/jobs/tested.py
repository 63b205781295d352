"""Which places of a job nobody has tested, and which were read for nothing. Pure.

A kind of test may have several steps: the whole winding and each phase, a stator and its rotor.
That one of them was done says nothing of the others.
"""

from collections.abc import Collection, Sequence
from dataclasses import replace
from uuid import UUID

from capture.jobs.earlier import tested_with
from capture.jobs.procedure import INSULATION
from capture.jobs.state import JobState, StepState, StepStatus
from capture.jobs.taken import KINDS, Readings
from capture.judging import Assessment, Named
from capture.judging.judged import PASSES
from capture.model.status import Status
from capture.model.testpoint import TestPoint
from capture.winding import Verdict

#: What ends a test without a value, or says that there was none to be had.
FAILED_OUTRIGHT = frozenset({Status.BREAKDOWN, Status.ABORTED, Status.LIVE_VOLTAGE})


def not_tested(state: JobState, kinds: Collection[str]) -> tuple[str, ...]:
    """Name the places of steps that are not taken, of those kinds of test that others have done.

    A place that another step has tested is tested, and so is what was tested together with others
    in one step: see `tested_with`.
    """
    taken = [step for step in _judged(state) if step.status is StepStatus.TAKEN]
    insulation = [step for step in taken if step.step.quantity == INSULATION]
    places = {name for step in taken for name, _ in _places(step)}
    found = [
        name
        for step in _judged(state)
        if step.status is not StepStatus.TAKEN
        and KINDS[step.step.quantity] in kinds
        and not (step.step.quantity == INSULATION and tested_with(step, insulation))
        for name, _ in _places(step)
        if name not in places
    ]
    return tuple(dict.fromkeys(found))


def kept_from_passing(
    assessment: Assessment, state: JobState, readings: Readings, results: Sequence[Named]
) -> Assessment:
    """Let nothing pass while what was taken at a place came to no result, or broke off."""
    if assessment.overall.verdict not in PASSES:
        return assessment
    used = {id_ for named in results for id_ in named.result.inputs}
    every: dict[str, bool] = {}  # whether anything of it is used, by place
    broken: set[str] = set()
    for step in _judged(state):
        if step.status is not StepStatus.TAKEN:
            continue
        for name, ids in _places(step, readings):
            every[name] = every.get(name, False) or any(str(id_) in used for id_ in ids)
            if any(readings.get(id_, {}).get("status") in FAILED_OUTRIGHT for id_ in ids):
                broken.add(name)
    places = tuple(name for name, is_used in every.items() if name in broken or not is_used)
    if not places:
        return assessment
    whole = replace(
        assessment.overall,
        verdict=Verdict.INCONCLUSIVE,
        decided_by=(),
        reason=f"without a result: {', '.join(places)}",
        without_result=places,
    )
    return replace(assessment, overall=whole, without_result=places)


def _judged(state: JobState) -> list[StepState]:
    return [step for step in state.steps.values() if step.step.quantity in KINDS]


def _places(step: StepState, readings: Readings | None = None) -> list[tuple[str, list[UUID]]]:
    """Name the places of a step, each with the ids of its own readings that were taken there.

    A pair is one place, whichever way round the leads sat.
    """
    asked, held = step.step, readings or {}
    own = [
        id_
        for id_ in step.readings
        if held.get(id_, {}).get("quantity", asked.quantity) == asked.quantity
    ]
    points = [TestPoint.parse(point) for point in asked.points]
    names = [f"{KINDS[asked.quantity]} at {point.pair or point}" for point in points]
    if len(own) == len(names):
        return [(name, [id_]) for name, id_ in zip(names, own, strict=True)]
    return [(name, own) for name in names]
