"""Which places of a job nobody has tested, and which were read for nothing. Pure.

A kind of test may have several steps: the whole winding and each phase, a stator and its rotor.
That one of them was done says nothing of the others.
"""

from collections.abc import Collection, Sequence
from dataclasses import replace

from capture.jobs.earlier import tested_with
from capture.jobs.procedure import INSULATION
from capture.jobs.state import JobState, StepState, StepStatus
from capture.jobs.taken import KINDS, Readings
from capture.judging import Assessment, Named
from capture.judging.judged import PASSES
from capture.model.status import Status
from capture.winding import Verdict

#: What ends a test without a value, or says that there was none to be had.
FAILED_OUTRIGHT = frozenset({Status.BREAKDOWN, Status.ABORTED, Status.LIVE_VOLTAGE})


def not_tested(state: JobState, kinds: Collection[str]) -> tuple[str, ...]:
    """Name the places of steps that are not taken, of those kinds of test that others have done.

    What was tested together with others in one step is tested: see `tested_with`.
    """
    taken = [step for step in state.steps.values() if step.status is StepStatus.TAKEN]
    insulation = [step for step in taken if step.step.quantity == INSULATION]
    return tuple(
        f"{KINDS[step.step.quantity]} at {point}"
        for step in state.steps.values()
        if step.status is not StepStatus.TAKEN
        and KINDS.get(step.step.quantity) in kinds
        and not (step.step.quantity == INSULATION and tested_with(step, insulation))
        for point in step.step.points
    )


def kept_from_passing(
    assessment: Assessment, state: JobState, readings: Readings, results: Sequence[Named]
) -> Assessment:
    """Let nothing pass while a step was taken and came to no result, or broke off."""
    if assessment.overall.verdict not in PASSES:
        return assessment
    used = {id_ for named in results for id_ in named.result.inputs}
    places = tuple(
        f"{KINDS[step.step.quantity]} at {point}"
        for step in state.steps.values()
        if step.status is StepStatus.TAKEN and step.step.quantity in KINDS
        for point in _without_result(step, readings, used)
    )
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


def _without_result(
    step: StepState, readings: Readings, used: Collection[str]
) -> tuple[str, ...] | list[str]:
    """Give the test points of a taken step of which nothing is judged or computed."""
    own = [
        (id_, readings.get(id_, {}))
        for id_ in step.readings
        if readings.get(id_, {}).get("quantity", step.step.quantity) == step.step.quantity
    ]
    points = step.step.points
    if any(body.get("status") in FAILED_OUTRIGHT for _, body in own):
        return points
    if len(own) == len(points):
        return [point for point, (id_, _) in zip(points, own, strict=True) if str(id_) not in used]
    return () if any(str(id_) in used for id_, _ in own) else points
