"""What keeps a step from being done now. Pure.

These locks follow the order of work; they do not know what is on a winding. A person can pass each
of them with a reason, and that is an entry of its own.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from capture.jobs.earlier import has_insulation
from capture.jobs.state import JobState, StepStatus

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
    """

    name: str
    words: str
    until: datetime | None = None


def locks(
    state: JobState, step_id: str, now: datetime, insulation_failed: Failed = lambda _step: None
) -> list[Lock]:
    """List what keeps a step from being done now; empty where nothing does.

    Raises:
        InputError: there is no such step.
    """
    step = state.step(step_id)
    found = [*_discharge(state, now), *_ramp_down(state, step_id)]
    if step.step.energy == "pulse":
        found += _insulation(state, insulation_failed)
    return [lock for lock in found if lock.name not in step.overridden]


def _discharge(state: JobState, now: datetime) -> list[Lock]:
    for application in reversed(state.applications):
        until = application.discharged_until
        if now < until:
            left = (until - now).total_seconds()
            words = (
                f"discharge the winding: voltage was applied for {application.seconds:g} s, wait "
                f"{left:.0f} s more with the winding earthed, then confirm the discharge"
            )
            return [Lock("discharge", words, until)]
        if not application.discharged:
            words = f"confirm that the winding was discharged after step {application.step}"
            return [Lock("discharge", words)]
    return []


def _ramp_down(state: JobState, step_id: str) -> list[Lock]:
    pending = sorted(state.ramp_down - {step_id})
    if not pending:
        return []
    words = (
        f"after step {pending[0]}: ramp the meter's current down, wait for zero, then move the "
        "leads and confirm it"
    )
    return [Lock("ramp-down", words)]


def _insulation(state: JobState, failed: Failed) -> list[Lock]:
    taken = [
        step
        for step in state.steps.values()
        if step.step.quantity == "insulation_resistance" and step.status is StepStatus.TAKEN
    ]
    if not taken:
        words = "take the insulation resistance first: it is missing"
        return [Lock("insulation", words if has_insulation(state) else words + _ALONE)]
    if any(failed(step.step.id) for step in taken):
        words = "the insulation reading has failed, or is undecided: no pulses on this winding"
        return [Lock("insulation", words)]
    return []
