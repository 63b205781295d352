"""What is known of a machine's insulation, for who puts pulses on it in a job without that step.

It is told, and unlocks nothing: whether the winding is still what was tested then, nobody here
knows. A person decides, and passes the lock with a reason.
"""

from collections.abc import Callable, Iterable

from capture.jobs.procedure import INSULATION
from capture.jobs.state import JobState, StepState, StepStatus
from capture.judging.rated import letters_of
from capture.model.testpoint import TestPoint


def insulation_steps(state: JobState, pulsed: str) -> list[StepState]:
    """List the steps of a job that test the insulation of what a step puts pulses on.

    A rotor's insulation, or a detector's, says nothing of the stator that gets the pulses.
    """
    winding = _letters(state.step(pulsed))
    return [
        each
        for each in state.steps.values()
        if each.step.quantity == INSULATION and _letters(each) & winding
    ]


def tested_with(step: StepState, taken: Iterable[StepState]) -> bool:
    """Tell whether other steps have tested all that an insulation step would have tested.

    What has the same other lead, and all of the first one's terminals joined with others: of what
    is tested side by side, no part is worse than the whole (common practice, no source).
    """
    points = [TestPoint.parse(point) for each in taken for point in each.step.points]
    return all(
        any(_includes(other, TestPoint.parse(point)) for other in points)
        for point in step.step.points
    )


def _includes(whole: TestPoint, part: TestPoint) -> bool:
    rest = [(set(each.second), set(each.guard), set(each.earth)) for each in (whole, part)]
    return rest[0] == rest[1] and set(part.first) <= set(whole.first)


def has_insulation(state: JobState, pulsed: str) -> bool:
    """Tell whether a job's own procedure tests the insulation of what a step puts pulses on."""
    return bool(insulation_steps(state, pulsed))


def insulation_of(jobs: Iterable[JobState], failed: Callable[[JobState, str], bool | None]) -> str:
    """Say what the newest insulation test of a machine was, and what waits; one clause.

    What waits is a discharge that nobody has confirmed, of that test or in a job worked on later: a
    test that was broken off has left no reading, but its voltage.

    failed: whether the insulation reading of a step of a job has failed.
    """
    every = list(jobs)
    standing = [job for job in every if job.voided is None]  # what a void one found is no test
    found = [(job, step) for job in standing for step in job.steps.values() if _is_taken(step)]
    if not found:
        return f"of this machine there is none in the journal{_waiting(every)}"
    job, step = max(found, key=lambda each: (each[1].taken_at, each[0].last))
    judged = {
        True: "it has failed, or is undecided: no pulses on this winding",
        False: "it has not failed",
        None: "nobody can judge it",
    }[failed(job, step.step.id)]
    its = ", and nobody has confirmed its discharge" if _waits(job) else ""
    return (
        f"the newest of this machine was taken {step.taken_at:%Y-%m-%d %H:%M} UTC in job "
        f"{job.job}: {judged}{its}{_waiting(each for each in every if each.last > job.last)}"
    )


def _waiting(jobs: Iterable[JobState]) -> str:
    """Name the newest job in which a discharge waits; empty where none does."""
    newest = max(filter(_waits, jobs), key=lambda each: each.last, default=None)
    if newest is None:
        return ""
    return f", and nobody has confirmed the discharge of a test in job {newest.job}"


def _waits(job: JobState) -> bool:
    return any(not each.discharged for each in job.applications)


def _is_taken(step: StepState) -> bool:
    taken = step.status is StepStatus.TAKEN and step.taken_at is not None
    return taken and step.step.quantity == INSULATION


def _letters(step: StepState) -> set[str]:
    return {letter for point in step.step.points for letter in letters_of(TestPoint.parse(point))}
