"""What is known of a machine's insulation, for who puts pulses on it in a job without that step.

It is told, and unlocks nothing: whether the winding is still what was tested then, nobody here
knows. A person decides, and passes the lock with a reason.
"""

from collections.abc import Callable, Iterable

from capture.jobs.state import JobState, StepState, StepStatus

_INSULATION = "insulation_resistance"


def has_insulation(state: JobState) -> bool:
    """Tell whether a job's own procedure tests the insulation."""
    return any(each.step.quantity == _INSULATION for each in state.steps.values())


def insulation_of(jobs: Iterable[JobState], failed: Callable[[JobState, str], bool | None]) -> str:
    """Say what the newest insulation test of a machine was, from its jobs; one clause.

    failed: whether the insulation reading of a step of a job has failed.
    """
    found = [(job, step) for job in jobs for step in job.steps.values() if _is_taken(step)]
    if not found:
        return "of this machine there is none in the journal"
    job, step = max(found, key=lambda each: (each[1].taken_at, each[0].last))
    judged = {
        True: "it has failed, or is undecided: no pulses on this winding",
        False: "it has not failed",
        None: "nobody can judge it",
    }[failed(job, step.step.id)]
    waits = any(not each.discharged for each in job.applications)
    open_ = ", and nobody has confirmed its discharge" if waits else ""
    return (
        f"the newest of this machine was taken {step.taken_at:%Y-%m-%d %H:%M} UTC in job "
        f"{job.job}: {judged}{open_}"
    )


def _is_taken(step: StepState) -> bool:
    taken = step.status is StepStatus.TAKEN and step.taken_at is not None
    return taken and step.step.quantity == _INSULATION
