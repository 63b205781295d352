"""What may be done in a job now. Pure: a state and an event in, nothing or a refusal out."""

from collections.abc import Iterable
from datetime import datetime

from capture.errors import CaptureError, InputError
from capture.jobs.locks import Failed, Lock, discharge, locks
from capture.jobs.state import JobState, JobStatus, StepStatus
from capture.journal import StaleError
from capture.model.job import (
    Applied,
    Discharged,
    Event,
    Finished,
    Noted,
    Overridden,
    Paused,
    RampedDown,
    Redone,
    Resumed,
    Selected,
    SignedOff,
    Skipped,
    Started,
    Taken,
)

_WHEN: dict[type, frozenset[JobStatus]] = {
    Paused: frozenset({JobStatus.RUNNING}),
    Resumed: frozenset({JobStatus.PAUSED}),
    Finished: frozenset({JobStatus.RUNNING, JobStatus.PAUSED}),
    SignedOff: frozenset({JobStatus.FINISHED}),
    Noted: frozenset({JobStatus.RUNNING, JobStatus.PAUSED, JobStatus.FINISHED, JobStatus.VOIDED}),
}
_LEAST = 3  # letters of a reason
_RUNNING = frozenset({JobStatus.RUNNING})
#: Facts about the winding are taken down whatever the job's status: they are true all the same.
_ALWAYS = (Applied, Discharged, RampedDown)


class LockedError(CaptureError):
    """A step is locked. ``locks`` says by what, and what to do."""

    def __init__(self, step: str, held: list[Lock]) -> None:
        super().__init__(f"step {step} is locked: {'; '.join(lock.words for lock in held)}")
        self.step = step
        self.locks = held


def check(
    state: JobState,
    event: Event,
    now: datetime,
    insulation_failed: Failed = lambda _step: None,
    beside: Iterable[JobState] = (),
) -> None:
    """Let an event pass that may happen now.

    beside: other jobs of the machine, as `minds_others` asks for them.

    Raises:
        InputError: it does not fit the job's status or steps; says why.
        LockedError: the step is locked; says by what, and what to do.
        StaleError: a lock that is to be passed holds by a voltage that nobody was shown.
    """
    if isinstance(event, Started):
        raise InputError(f"job {state.job} has been started already")
    if not isinstance(event, _ALWAYS):
        _check_status(state, event)
    step_id = getattr(event, "step", None)
    if step_id is not None:
        state.step(step_id)
        _check_step(state, event, now, insulation_failed, beside)


def minds_others(event: Event) -> bool:
    """Tell whether an event is checked by what other jobs of the machine have left on it."""
    return isinstance(event, Taken | Overridden)


def _check_step(
    state: JobState,
    event: Event,
    now: datetime,
    insulation_failed: Failed,
    beside: Iterable[JobState],
) -> None:
    match event:
        case Taken(step=id_, readings=readings):
            _check_taking(state, id_, len(readings))
            held = locks(state, id_, now, insulation_failed, beside)
            if held:
                raise LockedError(id_, held)
        case Redone(step=id_):
            if state.step(id_).status is StepStatus.OPEN:
                raise InputError(f"step {id_} is open; there is nothing to do again")
        case Selected(step=id_) | Skipped(step=id_):
            if state.step(id_).status is not StepStatus.OPEN:
                raise InputError(f"step {id_} is {state.step(id_).status}; redo it instead")
        case Discharged(step=id_):
            _check_discharge(state, id_, now)
        case Overridden(step=id_, lock=lock):
            held = locks(state, id_, now, insulation_failed, beside)
            _check_passing(event, [each for each in held if each.name == lock])
        case _:
            pass  # a note, a refusal, a fact about the winding: always taken down


def _check_status(state: JobState, event: Event) -> None:
    if isinstance(event, Noted) and event.voids:
        # Whoever has signed for the wrong machine must be able to say so.
        if state.voided is not None:
            raise InputError(f"the job is voided already: {state.voided.reason}")
        if len(event.text.strip()) < _LEAST:
            raise InputError(f"say why the job is void, in at least {_LEAST} letters")
        return
    allowed = _WHEN.get(type(event), _RUNNING)
    if state.status not in allowed:
        wanted = " or ".join(sorted(allowed))
        raise InputError(f"the job is {state.status}; {event.action} needs one that is {wanted}")


def _check_taking(state: JobState, id_: str, count: int) -> None:
    step = state.step(id_)
    if step.status is StepStatus.TAKEN:
        raise InputError(f"step {id_} has been taken; redo it, with a reason, to take it again")
    places = len(step.step.points)
    # Of an inductance the loss may stand beside each value.
    may_be = (places, 2 * places) if step.step.quantity == "inductance" else (places,)
    if step.step.take.how == "keyed" and count not in may_be:
        raise InputError(f"step {id_} takes {len(step.step.points)} values at once, not {count}")


def _check_passing(event: Overridden, held: list[Lock]) -> None:
    if not held:
        raise InputError(f"step {event.step} is not held by the lock {event.lock}")
    # What was written since whoever passes it has looked, nobody has decided about.
    if event.up_to is not None and all(each.newest > event.up_to for each in held):
        jobs = ", ".join(str(each.job) for each in held)
        raise StaleError(
            f"step {event.step} is held by a voltage of job {jobs} that nobody is known to have "
            f"been shown: what was shown ends with entry {event.up_to}; look again"
        )


def _check_discharge(state: JobState, id_: str, now: datetime) -> None:
    if not any(each.step == id_ for each in state.applications):
        raise InputError(f"no voltage was applied in step {id_}")
    # Whoever passed the lock for a step has not shortened the time.
    held = [lock for lock in discharge(state, now) if lock.until is not None]
    if held:
        raise LockedError(id_, held)
