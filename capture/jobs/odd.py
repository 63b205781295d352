"""What is odd about keyed values: the same questions for a step of a job and for a value of none.

A value is held against the nameplate, against what stands beside it, and against earlier tests of
the machine at the same point. In a job the machine is registered, or the job could not have begun;
outside one, a machine that nobody registered is asked about too: it may be a slip.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any
from uuid import UUID

from capture.jobs.lossy import is_loss, loss_doubts
from capture.jobs.plausible import Doubt, doubts
from capture.jobs.usual import is_line_winding
from capture.model import PointOfTest, ReadingDraft, TestPoint
from capture.model.machine import MachineEntry, Nameplate
from capture.model.quantity import Quantity
from capture.model.status import Side

if TYPE_CHECKING:
    from capture.journal import JournalReader

_NO_TIME = "the others are numbers, and nothing is compared while one is none"
_EARLIER = 20  # readings of earlier tests that a value is held against
_NAMED = 5  # registered machines that are named beside one that is not


def odd(
    reader: "JournalReader | None",
    machine: str | None,
    plate: Nameplate | None,
    draft: ReadingDraft,
    point: TestPoint | None,
    others: Mapping[str, float],
    passed_over: Collection[UUID] = (),
    beside: Mapping[str, float] = MappingProxyType({}),
) -> list[Doubt]:
    """List what is odd about one value.

    One that is no number is only where numbers stand beside it that are worth nothing without it. A
    bound of an insulation is, where it is beyond what a tester shows or contradicts its likes; that
    of an open pair is a finding.

    others: values of the same quantity that it is held against. passed_over: readings that are no
    earlier test. beside: values on the same display. reader: None where there is no journal yet.
    """
    mark = "" if draft.bound is None else {Side.ABOVE: ">", Side.BELOW: "<"}[draft.bound.side]
    shown = f"{mark}{draft.digits} {draft.shown_unit or draft.unit}".strip()
    where = shown if point is None else f"{point} {shown}"
    value, side = draft.value, None
    if value is None:
        # An open path is a finding of an ohmmeter; a tester that shows no time was not ready, or
        # its range was too short, and the times of the others can be compared with nothing.
        if draft.quantity == Quantity.PULSE_TIME and (others or beside):
            return [Doubt(f"{where}: {_NO_TIME}")]
        if draft.quantity != Quantity.INSULATION_RESISTANCE or draft.bound is None:
            return []
        value, side = draft.bound.value, draft.bound.side
    earlier = []
    if reader is not None and machine is not None and point is not None:
        earlier = _earlier(reader, machine, draft, point, passed_over)
    return [
        # What is written as it was shown is not said twice.
        replace(doubt, words=f"{where}: {doubt.words.removeprefix(f'{shown}: ')}")
        for doubt in doubts(
            draft.quantity,
            value,
            draft.unit,
            nameplate=plate,
            others=others,
            earlier=earlier,
            beside=beside,
            line_winding=is_line_winding(point, machine),
            bound=side,
        )
    ]


def odd_outside_a_job(
    reader: "JournalReader | None", drafts: Sequence[ReadingDraft]
) -> list[Doubt]:
    """List what is odd about values that stood on one display and belong to no job.

    What is stored under the same id already is not asked about again.
    """
    fresh = [each for each in drafts if reader is None or reader.entry(each.id) is None]
    if not fresh:
        return []
    machine = None if fresh[0].tag is None else fresh[0].tag.machine
    plate, found = described(reader, machine)
    for place, draft in enumerate(fresh):
        if is_loss(draft):
            continue  # held against its inductance and the other pairs, below
        point = None if draft.tag is None else draft.tag.test_point
        beside = {
            str(at): each.value
            for at, each in enumerate(fresh)
            if at != place and each.value is not None and each.quantity == draft.quantity
        }
        at = None if point is None else point.to_point()
        found += odd(reader, machine, plate, draft, at, {}, beside=beside)
    found += loss_doubts(fresh, {})
    return found


def described(
    reader: "JournalReader | None", machine: str | None
) -> tuple[Nameplate | None, list[Doubt]]:
    """Give a machine's nameplate, and a doubt where nobody registered it.

    Whatever is tied to a machine outside a job is asked about here: values that are keyed, and
    readings that are tagged.
    """
    if machine is None:
        return None, []
    rows = [] if reader is None else reader.of_subject("machine", machine)
    if rows:
        return MachineEntry.model_validate_json(rows[-1].body).nameplate, []
    known = [] if reader is None else [row.subject for row in reader.newest_by_subject("machine")]
    more = ", …" if len(known) > _NAMED else ""
    there_are = f"there are {', '.join(known[:_NAMED])}{more}" if known else "there is none"
    return None, [Doubt(f"machine {machine!r} is not registered ({there_are})", machine=machine)]


def _earlier(
    reader: "JournalReader",
    machine: str,
    draft: ReadingDraft,
    point: TestPoint,
    passed_over: Collection[UUID],
) -> list[float]:
    """Give what earlier tests of the machine read at a point, either way round, newest first."""
    found: list[float] = []
    for body in reader.readings(machine=machine, quantity=draft.quantity, newest_first=True):
        if len(found) >= _EARLIER:
            break
        if is_loss(draft) != _is_alternating(body):
            continue  # ohms of a bridge's frame are no ohms of an ohmmeter
        tag_point = (body.get("tag") or {}).get("test_point")
        value = body.get("value")
        if UUID(str(body["id"])) in passed_over or not tag_point or value is None:
            continue
        other = PointOfTest.model_validate(tag_point).to_point()
        if (other.pair or str(other)) == (point.pair or str(point)):
            found.append(float(value))
    return found


def _is_alternating(body: Mapping[str, Any]) -> bool:
    """Tell whether a stored resistance is the loss of a bridge's frame."""
    alternating = "frequency" in (body.get("conditions") or {})
    return body.get("quantity") == Quantity.RESISTANCE and alternating
