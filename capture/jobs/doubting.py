"""Which values of a step a person is asked about before they are taken."""

from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from capture.jobs.fit import shown_deviation, value_of
from capture.jobs.lossy import loss_doubts, quality_of
from capture.jobs.odd import odd
from capture.jobs.plausible import Doubt, mismatch
from capture.jobs.procedure import Step
from capture.jobs.service import JobService
from capture.jobs.state import JobState
from capture.journal import JournalReader
from capture.model import ReadingDraft, TestPoint
from capture.model.loss import LOSSES


def doubts_of(
    service: JobService,
    reader: JournalReader,
    state: JobState,
    step: Step,
    drafts: Sequence[ReadingDraft],
    deviation: ReadingDraft | None = None,
) -> list[Doubt]:
    """List what is odd about values that are to be taken for a step.

    They are held against the nameplate, against the job's other values, against earlier tests of
    the machine at the same point, and against the deviation that the instrument itself shows.

    Raises:
        NotThereError: the machine is not registered.
    """
    machine = service.machine(state.machine)
    held = service.readings_of(state)
    others: dict[str, float] = {}
    for other in state.steps.values():
        if _is_like(other.step, step):
            for place, reading in enumerate(other.readings):
                value = value_of(held.get(reading, {}), step.quantity)
                if value is not None:
                    others[f"{other.step.id} {place + 1}"] = value
    passed_over = {id_ for each in state.steps.values() for id_ in each.readings}
    passed_over |= {id_ for each in state.steps.values() for id_, _ in each.superseded}
    found = []
    own = [each for each in drafts if each.quantity == step.quantity]
    for place, draft in enumerate(own):
        block = {
            str(at): each.value
            for at, each in enumerate(own)
            if at != place and each.value is not None
        }
        point = step.points[place] if len(step.points) > 1 else step.points[0]
        found += odd(
            reader,
            state.machine,
            machine.nameplate,
            draft,
            TestPoint.parse(point),
            others,
            passed_over,
            block,
        )
    if len(own) < len(drafts):
        found += loss_doubts(drafts, _qualities(state, step, held), _direct(state, held))
    if deviation is not None and deviation.value is not None:
        ours = shown_deviation(step, drafts)
        if ours is not None:
            off = mismatch(ours, deviation.value, _last_step(deviation.digits))
            found += [] if off is None else [off]
    return found


def _is_like(other: Step, step: Step) -> bool:
    """Tell whether values of another step are likely to be near those of a step."""
    alike = other.quantity == step.quantity and other.circuit == step.circuit
    return alike and other.id != step.id


def _qualities(
    state: JobState, step: Step, held: Mapping[UUID, dict[str, Any]]
) -> dict[str, float]:
    """Give the Q of the inductances that other steps of the job have taken, by step."""
    found = {}
    for other in state.steps.values():
        if not _is_like(other.step, step):
            continue
        bodies = [held[each] for each in other.readings if each in held]
        henries = {body.get("group"): body for body in bodies if body["quantity"] == step.quantity}
        for body in bodies:
            if body["quantity"] in LOSSES:
                q = quality_of(body, henries.get(body.get("group")))
                if q is not None:
                    found[other.step.id] = q
    return found


def _direct(state: JobState, held: Mapping[UUID, dict[str, Any]]) -> dict[str, float]:
    """Give the resistances of the job to direct current, in ohms, by test point."""
    found = {}
    for other in state.steps.values():
        if other.step.quantity == "resistance" and len(other.step.points) == 1:
            for each in other.readings:
                value = value_of(held.get(each, {}), "resistance")
                if value is not None:
                    found[str(TestPoint.parse(other.step.points[0]))] = value
    return found


def _last_step(digits: str) -> float:
    """Give one step of the last digit of a number as shown, whichever decimal mark it has."""
    number, _, exponent = digits.upper().partition("E")
    places = len(number.replace(",", ".").partition(".")[2])
    return float(10.0 ** (int(exponent or 0) - places))
