"""What keeps a step from being done now. Pure.

These locks follow the order of work; they do not know what is on a winding. A person can pass each
of them with a reason, and that is an entry of its own.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from capture.jobs.earlier import insulation_steps, tested_with
from capture.jobs.owed import owed, owed_beside, words_beside
from capture.jobs.procedure import INSULATION
from capture.jobs.state import JobState, StepState, StepStatus

#: A person is not left before a lock that nothing in the job can open.
_ALONE = (
    ", and this procedure has no step for it. Test it in a job of its own, discharge included, and "
    "pass this lock with that as the reason; or start a procedure that has both"
)

#: Whether the insulation reading of a step has failed; None where nobody judged it.
Failed = Callable[[str], bool | None]


@dataclass(frozen=True, slots=True)
class Lock:
    """One thing that keeps a step from being done.

    Attributes:
        name: which lock; what an override names.
        words: what to do, for a person.
        until: when its time is over; None where it does not end by time.
        job, step: of another job of the machine, where it is to be opened there; else None.
        newest: number in the journal of the newest voltage that is owed for there; 0 for none.
        failed: whether it holds by a reading that has failed.
    """

    name: str
    words: str
    until: datetime | None = None
    job: UUID | None = None
    step: str | None = None
    newest: int = 0
    failed: bool = False


def locks(
    state: JobState,
    step_id: str,
    now: datetime,
    insulation_failed: Failed = lambda _step: None,
    beside: Iterable[JobState] = (),
) -> list[Lock]:
    """List what keeps a step from being done now; empty where nothing does.

    beside: other jobs of the machine; what their voltages have left is on the same winding.

    Raises:
        InputError: there is no such step.
    """
    step = state.step(step_id)
    found = [*discharge(state, now), *_ramp_down(state, step_id)]
    if step.step.energy == "pulse":
        found += _insulation(state, step_id, insulation_failed)
    own = [lock for lock in found if not _is_passed(lock, step)]
    return [*discharges_beside(state, beside, now, step), *own]


def discharges_beside(
    state: JobState, beside: Iterable[JobState], now: datetime, step: StepState | None = None
) -> list[Lock]:
    """List the locks by discharges that other jobs of the machine owe.

    step: of the job itself; leaves out what a person has passed for it. That spoke of the voltages
    that they had been shown, so a later one holds again, in whichever job it was.
    """
    passed = 0
    if step is not None and "discharge" in step.overridden:
        passed = step.discharge_passed
    return [
        Lock("discharge", words_beside(each, now), each.until, each.job, each.step, each.newest)
        for each in owed_beside(state, beside, now)
        if each.newest > passed
    ]


def discharge(state: JobState, now: datetime) -> list[Lock]:
    """List the lock by a discharge that the job itself owes, whatever was passed."""
    found = owed(state, now)
    if found is None:
        return []
    if found.until is None:
        words = (
            f"prove the winding discharged, then confirm that it was, after step {found.step}"
            f"{found.not_known(now)}"
        )
        return [Lock("discharge", words)]
    left = (found.until - now).total_seconds()
    words = (
        f"discharge the winding: voltage was applied for {found.seconds:g} s, wait "
        f"{left:.0f} s more with the winding earthed, prove it discharged, then confirm the "
        "discharge"
    )
    return [Lock("discharge", words, found.until)]


def _ramp_down(state: JobState, step_id: str) -> list[Lock]:
    pending = sorted(state.ramp_down - {step_id})
    if not pending:
        return []
    words = (
        f"after step {pending[0]}: ramp the meter's current down, wait for zero, then move the "
        "leads and confirm it"
    )
    return [Lock("ramp-down", words)]


def _is_passed(lock: Lock, step: StepState) -> bool:
    """Tell whether a person has passed a lock of the job itself.

    Who passed it for a place that is not tested has not decided about a reading that fails since.
    """
    return lock.name in step.overridden and (step.failure_passed or not lock.failed)


def has_failed(state: JobState, failed: Failed) -> bool:
    """Tell whether any insulation reading of a job has failed, or is undecided."""
    return any(
        bool(failed(step.step.id))
        for step in state.steps.values()
        if step.step.quantity == INSULATION and step.status is StepStatus.TAKEN
    )


def _insulation(state: JobState, pulsed: str, failed: Failed) -> list[Lock]:
    tests = [step for step in state.steps.values() if step.step.quantity == INSULATION]
    its = insulation_steps(state, pulsed)
    if has_failed(state, failed):
        words = "the insulation reading has failed, or is undecided: no pulses on this winding"
        # What is not tested besides is to be decided about as well.
        told = [words, *_still_open(its, named=len(tests) > 1), *_left_out(its)]
        return [Lock("insulation", "; ".join(told), failed=True)]
    if not its:
        what = "of what gets the pulses " if tests else ""
        words = f"take the insulation resistance {what}first: it is missing"
        return [Lock("insulation", words + _ALONE)]
    told = [*_still_open(its, named=len(tests) > 1), *_left_out(its)]
    return [Lock("insulation", "; ".join(told))] if told else []


def _still_open(its: Sequence[StepState], *, named: bool) -> list[str]:
    points = [point for step in its if step.status is StepStatus.OPEN for point in step.step.points]
    which = f"of {', '.join(points)} " if named else ""
    return [f"take the insulation resistance {which}first: it is missing"] if points else []


def _left_out(its: Sequence[StepState]) -> list[str]:
    """Name the places that somebody left out, and why.

    Who leaves a step out decides that its place is not tested; that pulses go on it all the same is
    another decision, about the pulses.
    """
    taken = [step for step in its if step.status is StepStatus.TAKEN]
    told = [
        f"{', '.join(step.step.points)} (step {step.step.id}, left out by {step.left_out})"
        for step in its
        if step.status is StepStatus.SKIPPED and not tested_with(step, taken)
    ]
    if not told:
        return []
    words = (
        f"nobody has tested the insulation of {' and of '.join(told)}: do that step, or decide "
        "about the pulses, and pass this lock with a reason"
    )
    return [words]
