"""A job's state: what replaying its entries gives. Pure; knows no file and no clock."""

import json
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from functools import lru_cache
from uuid import UUID

from capture.errors import InputError, NotThereError
from capture.jobs.procedure import INSULATION, Procedure, Step
from capture.model.job import (
    Applied,
    ConditionsChanged,
    Discharged,
    Finished,
    JobConditions,
    JobEntry,
    Noted,
    Overridden,
    Paused,
    RampedDown,
    Redone,
    Refused,
    Resumed,
    Selected,
    SignedOff,
    Skipped,
    Started,
    Taken,
)

#: Who stands in the entries that hands-free capture writes.
WATCHER = "watcher"

#: A winding is discharged for this many times the time that the voltage was applied (IEEE Std 43,
#: from memory).
DISCHARGE_FACTOR = 4.0


class JobStatus(StrEnum):
    """Where a job is."""

    RUNNING = "running"
    PAUSED = "paused"
    FINISHED = "finished"
    SIGNED_OFF = "signed-off"
    VOIDED = "voided"


#: What is over is never taken up again.
OVER = frozenset({JobStatus.FINISHED, JobStatus.SIGNED_OFF, JobStatus.VOIDED})

_STATUS_AFTER: dict[type, JobStatus] = {
    Paused: JobStatus.PAUSED,
    Resumed: JobStatus.RUNNING,
    Finished: JobStatus.FINISHED,
    SignedOff: JobStatus.SIGNED_OFF,
}


class StepStatus(StrEnum):
    """Where a step is."""

    OPEN = "open"
    TAKEN = "taken"
    SKIPPED = "skipped"


@dataclass(frozen=True, slots=True)
class StepState:
    """One step of a job.

    Attributes:
        readings: those that hold now.
        superseded: earlier readings, each with the reason for which the step was done again.
        refused: readings that a person refused.
        left_out: who left the step out, and why; empty while nobody has.
        overridden: locks that a person passed for this step.
        discharge_passed: number in the journal of the newest voltage of other jobs that whoever
            passed the discharge lock had been shown; 0 for none.
        failure_passed: whether whoever passed the insulation lock passed a failed reading.
    """

    step: Step
    status: StepStatus = StepStatus.OPEN
    readings: tuple[UUID, ...] = ()
    how: str = ""
    taken_at: datetime | None = None
    conditions: JobConditions = field(default_factory=JobConditions)
    superseded: tuple[tuple[UUID, str], ...] = ()
    refused: tuple[UUID, ...] = ()
    left_out: str = ""
    notes: tuple[str, ...] = ()
    overridden: frozenset[str] = frozenset()
    discharge_passed: int = 0
    failure_passed: bool = False


@dataclass(frozen=True, slots=True)
class Application:
    """A test voltage that was on the winding.

    Attributes:
        n: number in the journal of the entry that tells of it.
    """

    step: str
    seconds: float
    ended: datetime
    discharged: bool = False
    n: int = 0

    @property
    def discharged_until(self) -> datetime:
        """When the winding has been earthed for long enough, if it was earthed at the end."""
        return self.ended + timedelta(seconds=DISCHARGE_FACTOR * self.seconds)


@dataclass(frozen=True, slots=True)
class Void:
    """That a job counts for nothing, by whom, and why.

    Attributes:
        was: where the job was until then.
    """

    operator: str
    time: datetime
    reason: str
    was: JobStatus


@dataclass(frozen=True, slots=True)
class Stated:
    """The verdict on a job when it was finished, or signed off.

    Attributes:
        n: number in the journal of the entry that says it.
    """

    verdict: str
    doubt: str
    n: int


@dataclass(frozen=True, slots=True)
class JobState:
    """One job, as its entries tell.

    Attributes:
        begun: number in the journal of its first entry.
        last: number in the journal of the newest entry seen; a writer says which it has seen.
        worked: that of the newest entry by which somebody worked on it. How long a voltage was on
            is written by hands-free capture, perhaps when another job has been begun.
        selected: step that a person chose to be next; None where the procedure's order holds.
        applications: test voltages applied in this job, oldest first.
        ramp_down: steps after which nobody has said yet that the current was zero.
        voided: that it counts for nothing; None where it stands.
        stated: the verdict as it was stored when the job was over; None where none was.
    """

    job: UUID
    machine: str
    procedure: Procedure
    status: JobStatus
    steps: dict[str, StepState]
    conditions: JobConditions
    started: datetime
    last: int
    worked: int
    operators: frozenset[str] = frozenset()
    selected: str | None = None
    notes: tuple[str, ...] = ()
    applications: tuple[Application, ...] = ()
    ramp_down: frozenset[str] = frozenset()
    begun: int = 0
    voided: Void | None = None
    stated: Stated | None = None

    @property
    def signed_off(self) -> bool:
        """Whether somebody has stood for it, though it may be void since."""
        return JobStatus.SIGNED_OFF in (self.status, self.voided and self.voided.was)

    @property
    def current(self) -> StepState | None:
        """The step to be done now: the one chosen, else the first that is open."""
        if self.selected is not None and self.steps[self.selected].status is StepStatus.OPEN:
            return self.steps[self.selected]
        return next((s for s in self.steps.values() if s.status is StepStatus.OPEN), None)

    def step(self, id_: str) -> StepState:
        """Give a step.

        Raises:
            NotThereError: the procedure has no such step; says which there are.
        """
        found = self.steps.get(id_)
        if found is None:
            raise NotThereError(f"there is no step {id_!r}; the steps are {', '.join(self.steps)}")
        return found


def replay(
    entries: Iterable[tuple[int, JobEntry]], state: JobState | None = None
) -> JobState | None:
    """Give the state after these entries, each with its number in the journal; None for none.

    state: the state before them, where they are not all.
    """
    for n, entry in entries:
        state = apply(state, n, entry)
    return state


def apply(state: JobState | None, n: int, entry: JobEntry) -> JobState:
    """Give the state after one more entry.

    An entry that does not fit (an unknown step, say) changes nothing but ``last``: what was stored
    was stored, and a replay never fails on it.

    Raises:
        InputError: the entry comes before the job's start.
    """
    event = entry.event
    if isinstance(event, Started):
        return _started(n, entry, event)
    if state is None:
        raise InputError(f"job {entry.job} has events before its start")
    state = replace(state, last=n, operators=state.operators | {entry.operator})
    if is_work(entry):
        state = replace(state, worked=n)
    step_id = getattr(event, "step", None)
    if step_id is not None and step_id not in state.steps:
        return state
    if type(event) in _STATUS_AFTER:
        return _moved(state, event)
    match event:
        case Selected(step=step):
            return replace(state, selected=step)
        case ConditionsChanged(conditions=conditions):
            return replace(state, conditions=merged(state.conditions, conditions))
        case Noted(step=None):
            return _noted(state, entry, event)
        case Applied() | Discharged() | RampedDown() | Overridden():
            return _lock_event(state, entry, event)
        case _:
            return _step_event(state, entry, event)


def is_work(entry: JobEntry) -> bool:
    """Tell whether an entry shows that somebody works on its job now.

    Whoever voids a job looks back at it, perhaps while another one is under way.
    """
    match entry.event:
        case Applied():
            return entry.operator != WATCHER
        case Noted(voids=True):
            return False
        case _:
            return True


def _moved(state: JobState, event: object) -> JobState:
    """Let a job's status change; a void one stays void, whatever an odd journal holds."""
    if isinstance(event, Finished | SignedOff) and event.verdict is not None:
        state = replace(state, stated=Stated(event.verdict, event.doubt, state.last))
    if state.voided is not None:
        return state
    return replace(state, status=_STATUS_AFTER[type(event)])


def _noted(state: JobState, entry: JobEntry, event: Noted) -> JobState:
    """Take in a remark on the job as a whole; one that voids it holds once and for all."""
    if not event.voids or state.voided is not None:
        return replace(state, notes=(*state.notes, event.text))
    void = Void(entry.operator, entry.time, event.text, state.status)
    return replace(state, status=JobStatus.VOIDED, voided=void)


def merged(old: JobConditions, new: JobConditions) -> JobConditions:
    """Let new conditions go before old ones, member by member."""
    return old.model_copy(update=new.model_dump(exclude_none=True))


@lru_cache(maxsize=64)
def _procedure(text: str) -> Procedure:
    """Read a procedure; many jobs have the same one, and it cannot change."""
    return Procedure.model_validate_json(text)


def _started(n: int, entry: JobEntry, event: Started) -> JobState:
    procedure = _procedure(json.dumps(event.procedure, sort_keys=True))
    return JobState(
        job=entry.job,
        machine=event.machine,
        procedure=procedure,
        status=JobStatus.RUNNING,
        steps={step.id: StepState(step) for step in procedure.steps},
        conditions=event.conditions,
        started=entry.time,
        last=n,
        worked=n,
        operators=frozenset({entry.operator}),
        begun=n,
    )


def _step_event(state: JobState, entry: JobEntry, event: object) -> JobState:
    match event:
        case Taken(step=id_, readings=readings, how=how, conditions=conditions, ramp_down=ramp):
            old = state.steps[id_]
            new = replace(
                old,
                status=StepStatus.TAKEN,
                readings=readings,
                how=how,
                taken_at=entry.time,
                conditions=merged(state.conditions, conditions),
                superseded=(*old.superseded, *((each, "taken again") for each in old.readings)),
            )
            direct = old.step.energy == "direct-current" and ramp is not False
            state = replace(
                state,
                selected=None if state.selected == id_ else state.selected,
                ramp_down=state.ramp_down | {id_} if direct else state.ramp_down,
            )
            if direct:
                state = _without_override(state, "ramp-down")
            if old.step.quantity == INSULATION:
                state = _without_override(state, "insulation")
            new = replace(new, overridden=state.steps[id_].overridden)
        case Redone(step=id_, reason=reason):
            old = state.steps[id_]
            gone = tuple((reading, reason) for reading in old.readings)
            new = replace(
                old,
                status=StepStatus.OPEN,
                readings=(),
                how="",
                taken_at=None,
                superseded=(*old.superseded, *gone),
            )
            state = replace(state, selected=id_)
            if old.step.quantity == INSULATION:
                state = _without_override(state, "insulation")
                new = replace(new, overridden=state.steps[id_].overridden)
        case Refused(step=id_, reading=reading):
            new = replace(state.steps[id_], refused=(*state.steps[id_].refused, reading))
        case Skipped(step=id_, reason=reason):
            old = state.steps[id_]
            new = replace(
                old,
                status=StepStatus.SKIPPED,
                left_out=f"{entry.operator}: {reason}",
                notes=(*old.notes, f"skipped: {reason}"),
            )
        case Noted(step=str(id_), text=text):
            new = replace(state.steps[id_], notes=(*state.steps[id_].notes, text))
        case _:
            return state
    return replace(state, steps={**state.steps, id_: new})


def _without_override(state: JobState, lock: str) -> JobState:
    """Let a lock hold again everywhere: an override spoke of what was known when it was made."""
    steps = {
        id_: replace(step, overridden=step.overridden - {lock}) if lock in step.overridden else step
        for id_, step in state.steps.items()
    }
    return replace(state, steps=steps)


def _lock_event(
    state: JobState, entry: JobEntry, event: Applied | Discharged | RampedDown | Overridden
) -> JobState:
    match event:
        case Applied(step=id_, seconds=seconds):
            new = Application(id_, seconds, entry.time, n=state.last)
            state = replace(state, applications=(*state.applications, new))
            return _without_override(state, "discharge")
        case Discharged(step=id_):
            applications = tuple(
                replace(each, discharged=True) if each.step == id_ else each
                for each in state.applications
            )
            return replace(state, applications=applications)
        case RampedDown(step=id_):
            return replace(state, ramp_down=state.ramp_down - {id_})
        case Overridden(step=id_, lock=lock):
            old = state.steps[id_]
            new_step = replace(old, overridden=old.overridden | {lock})
            if lock == "discharge":
                # An old entry does not say what was shown: it spoke of all that came before it. And
                # whatever an entry says, nobody was shown what came after it.
                shown = state.last if event.up_to is None else min(event.up_to, state.last)
                before = old.discharge_passed if lock in old.overridden else 0
                new_step = replace(new_step, discharge_passed=max(before, shown))
            if lock == "insulation":
                before_too = lock in old.overridden and old.failure_passed
                new_step = replace(new_step, failure_passed=before_too or event.failed is not False)
            return replace(state, steps={**state.steps, id_: new_step})
