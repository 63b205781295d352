"""Which values a person is asked about before they are taken, and what they are held against."""

from collections.abc import Sequence
from dataclasses import replace
from uuid import UUID

from capture.errors import CaptureError
from capture.jobs.fit import shown_deviation, value_of
from capture.jobs.plausible import Doubt, doubts, mismatch
from capture.jobs.procedure import Step
from capture.jobs.service import JobService
from capture.jobs.state import JobState
from capture.journal import JournalReader
from capture.model import PointOfTest, ReadingDraft, TestPoint

_EARLIER = 20  # readings of earlier tests that a value is held against


class DoubtError(CaptureError):
    """A value is not likely. A person is asked; what they confirm is taken. ``doubts`` says why."""

    def __init__(self, found: Sequence[Doubt]) -> None:
        words = "; ".join(doubt.words for doubt in found)
        super().__init__(f"{words}: look at the display once more, and confirm it if it stands so")
        self.doubts = list(found)


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
        if other.step.quantity == step.quantity and other.step.id != step.id:
            for place, reading in enumerate(other.readings):
                value = value_of(held.get(reading, {}), step.quantity)
                if value is not None:
                    others[f"{other.step.id} {place + 1}"] = value
    found = []
    for place, draft in enumerate(drafts):
        if draft.value is None:
            continue
        block = {
            str(at): each.value
            for at, each in enumerate(drafts)
            if at != place and each.value is not None
        }
        point = step.points[place] if len(step.points) > 1 else step.points[0]
        for doubt in doubts(
            draft.quantity,
            draft.value,
            draft.unit,
            nameplate=machine.nameplate,
            others={**others, **block} if not step.take.at_s else others,
            earlier=_earlier(reader, state, step.quantity, point),
        ):
            words = f"{draft.digits} {draft.shown_unit or draft.unit}".strip()
            found.append(replace(doubt, words=f"{point} {words}: {doubt.words}"))
    if deviation is not None and deviation.value is not None:
        ours = shown_deviation(step, drafts)
        if ours is not None:
            odd = mismatch(ours, deviation.value, _last_step(deviation.digits))
            found += [] if odd is None else [odd]
    return found


def _last_step(digits: str) -> float:
    """Give one step of the last digit of a number as shown, whichever decimal mark it has."""
    number, _, exponent = digits.upper().partition("E")
    places = len(number.replace(",", ".").partition(".")[2])
    return float(10.0 ** (int(exponent or 0) - places))


def _earlier(reader: JournalReader, state: JobState, quantity: str, point: str) -> list[float]:
    """Give what earlier tests of the machine read at a point, either way round, newest first."""
    parsed = TestPoint.parse(point)
    held = {id_ for step in state.steps.values() for id_ in step.readings}
    gone = {id_ for step in state.steps.values() for id_, _ in step.superseded}
    found: list[float] = []
    for body in reader.readings(machine=state.machine, quantity=quantity, newest_first=True):
        if len(found) >= _EARLIER:
            break
        tag_point = (body.get("tag") or {}).get("test_point")
        value = body.get("value")
        if UUID(str(body["id"])) in held | gone or not tag_point or value is None:
            continue
        other = PointOfTest.model_validate(tag_point).to_point()
        if (other.pair or str(other)) == (parsed.pair or str(parsed)):
            found.append(float(value))
    return found
