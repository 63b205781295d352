"""From a job in the journal to its record. Reads; stores nothing."""

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from capture import __version__
from capture.config import EquipmentConfig
from capture.display import clean, point_of
from capture.jobs.desk import Desk
from capture.jobs.state import WATCHER, JobState, StepState
from capture.jobs.view import suspicion_view
from capture.model import new_id
from capture.model.job import Finished, JobEntry, Overridden, Refused, SignedOff
from capture.model.record import (
    UNSEALED,
    JournalHead,
    LockPassed,
    NotConfirmed,
    Record,
    RecordInstrument,
    RecordMachine,
    RecordReading,
    RecordStep,
    RecordSuspicion,
    RecordVoid,
    Signature,
    sealed,
)
from capture.model.result import ResultRecord
from capture.model.trend import Trend

Equipment = Mapping[str, EquipmentConfig]
_LONGEST_LINE = 200
_LONGEST_REMARK = 20_000  # one may list hundreds of readings
_DECIDES_NOTHING = ("information only", "not applicable")


@dataclass(frozen=True, slots=True)
class Making:
    """What a making adds to what the journal says.

    Attributes:
        trends: how values have moved over the machine's jobs, where somebody computed that.
    """

    site: str
    bench: str
    time: datetime
    made_by: str
    equipment: Equipment
    trends: tuple[Trend, ...] = ()


def build(desk: Desk, job: UUID, making: Making) -> Record:
    """Write down everything that a job's record says, as its first version, sealed.

    Raises:
        NotThereError: there is no such job.
    """
    head = desk.reader.head()  # first: what comes in meanwhile is then no part of it by its head
    state = desk.service.state(job)
    results = desk.results.now(state, making.time)
    machine = desk.service.machine(state.machine)
    events = [
        JobEntry.model_validate_json(row.body)
        for row in desk.reader.of_subject("job", str(job))
        if row.n <= state.last
    ]
    readings = tuple(_readings(desk, state, events))
    signed, void = state.signed_off, state.voided
    record = Record(
        id=new_id(),
        site=making.site,
        bench=making.bench,
        time=making.time,
        record=new_id(),
        version=1,
        state="signed-off" if signed else "draft",
        made_by=making.made_by,
        software=f"benchtally {__version__}",
        job=job,
        procedure=state.procedure.name,
        title=clean(state.procedure.title),
        started=state.started,
        finished=_last_time(events, Finished),
        operators=tuple(sorted(state.operators - {WATCHER})),
        machine=RecordMachine(id=state.machine, nameplate=machine.nameplate),
        conditions=state.conditions,
        verdict=results.verdict,
        sentence=results.sentence,
        decided_by=tuple(
            each.name
            for each in results.results
            if each.judgement is not None
            and each.judgement.verdict == results.verdict
            and results.verdict not in _DECIDES_NOTHING
        ),
        not_run=results.not_run,
        without_result=results.without_result,
        suspicion=None
        if results.suspicion is None
        else RecordSuspicion.model_validate(suspicion_view(results.suspicion)),
        results=tuple(_as_stored(results.results, desk.service.results(job))),
        steps=tuple(_step(step) for step in state.steps.values()),
        readings=readings,
        instruments=tuple(_instruments(readings, making.equipment)),
        cautions=state.procedure.cautions,
        locks_passed=tuple(_locks_passed(events)),
        not_confirmed=tuple(_not_confirmed(state)),
        remarks=tuple(each[:_LONGEST_REMARK] for each in results.notes),
        notes=state.notes,
        trends=making.trends,
        voided=None
        if void is None
        else RecordVoid(operator=void.operator, time=void.time, reason=void.reason),
        signature=_signature(events) if signed else None,
        journal=JournalHead(id=desk.reader.journal_id, n=head[0], hash=head[1].hex()),
        sha256=UNSEALED,
    )
    return sealed(record)


def reading_of(body: bytes, **of_the_job: Any) -> RecordReading:
    """Write a stored reading as it stands in a record; the rest is what the job says of it."""
    content = json.loads(body)
    return RecordReading.model_validate(
        {
            **content,
            **of_the_job,
            "photos": [each["sha256"] for each in content.get("evidence") or ()],
            "note": (content.get("tag") or {}).get("note"),
            "body_sha256": hashlib.sha256(body).hexdigest(),
        }
    )


def _readings(desk: Desk, state: JobState, events: Iterable[JobEntry]) -> Iterator[RecordReading]:
    refused = {
        entry.event.reading: entry.event.reason
        for entry in events
        if isinstance(entry.event, Refused)
    }
    for step in state.steps.values():
        held = [(id_, "taken", None) for id_ in step.readings]
        gone = [(id_, "superseded", reason) for id_, reason in step.superseded]
        out = [(id_, "refused", refused.get(id_)) for id_ in step.refused]
        for id_, standing, reason in [*held, *gone, *out]:
            row = desk.service.entry(id_)
            if row is None or row.kind != "reading":
                continue  # the remarks say so: it was cut off the journal with an older job
            place = step.readings.index(id_) if standing == "taken" else None
            yield reading_of(
                row.body,
                step=step.step.id,
                standing=standing,
                reason=None if reason is None else clean(reason)[:_LONGEST_LINE],
                point=_point(step, row.body, place),
                at_s=_nominal(step, place),
            )


def _point(step: StepState, body: bytes, place: int | None) -> str | None:
    """Give the test point by the procedure, else by the reading's own tag."""
    points = step.step.points
    if len(points) == 1:
        return points[0]
    if place is not None and len(points) == len(step.readings):
        return points[place]
    told = point_of((json.loads(body).get("tag") or {}).get("test_point"))
    return told[:_LONGEST_LINE] or None


def _nominal(step: StepState, place: int | None) -> float | None:
    times = step.step.take.at_s
    return times[place] if place is not None and len(step.readings) == len(times) else None


def _step(step: StepState) -> RecordStep:
    asked = step.step
    return RecordStep(
        id=asked.id,
        title=clean(asked.title),
        quantity=asked.quantity,
        points=asked.points,
        status=step.status.value,
        how=step.how,
        conditions=step.conditions,
        cautions=asked.cautions,
        notes=step.notes,
    )


def _as_stored(
    computed: Iterable[ResultRecord], stored: Iterable[ResultRecord]
) -> Iterator[ResultRecord]:
    """Give what the journal holds of each result; one that it does not hold, as computed."""
    held = {each.name: each for each in stored}
    for each in computed:
        known = held.get(each.name)
        yield known if known is not None and _said(known) == _said(each) else each


def _said(result: ResultRecord) -> dict[str, Any]:
    return result.model_dump(exclude={"id", "time", "site", "bench"})


def _instruments(
    readings: Iterable[RecordReading], equipment: Equipment
) -> Iterator[RecordInstrument]:
    by_name: dict[str, list[RecordReading]] = {}
    for each in readings:
        by_name.setdefault(each.instrument, []).append(each)
    for name, own in by_name.items():
        known = equipment.get(name)
        due = None if known is None else known.calibration_due
        yield RecordInstrument(
            name=name,
            quantities=tuple(dict.fromkeys(each.quantity for each in own)),
            overdue=None if due is None else max(each.time for each in own).date() > due,
            **({} if known is None else known.model_dump()),
        )


def _locks_passed(events: Iterable[JobEntry]) -> Iterator[LockPassed]:
    for entry in events:
        if isinstance(entry.event, Overridden):
            yield LockPassed(
                step=entry.event.step,
                lock=entry.event.lock,
                reason=entry.event.reason,
                operator=entry.operator,
                time=entry.time,
            )


def _not_confirmed(state: JobState) -> Iterator[NotConfirmed]:
    pending = [each.step for each in state.applications if not each.discharged]
    for step in dict.fromkeys(pending):
        yield NotConfirmed(step=step, what="discharge")
    for step in sorted(state.ramp_down):
        yield NotConfirmed(step=step, what="ramp-down")


def _signature(events: Iterable[JobEntry]) -> Signature | None:
    for entry in events:
        if isinstance(entry.event, SignedOff):
            return Signature(
                operator=entry.operator, time=entry.time, statement=entry.event.statement
            )
    return None


def _last_time(events: Iterable[JobEntry], kind: type) -> datetime | None:
    found = [entry.time for entry in events if isinstance(entry.event, kind)]
    return found[-1] if found else None
