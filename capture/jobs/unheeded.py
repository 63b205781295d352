"""Readings that come while their job takes none: whoever began the test gets a word. Pure.

A test that was begun while the job ran, or leads that have lain on since, are none of these: a
meter that is asked again and again goes on showing the same.
"""

from dataclasses import dataclass
from uuid import UUID

from capture.jobs.procedure import Step
from capture.jobs.state import JobState, JobStatus
from capture.jobs.voltage import INSULATION, NO_VOLTAGE, SILENCE, Seen

_TOLD = (JobStatus.RUNNING, JobStatus.PAUSED, JobStatus.FINISHED)
_Rest = tuple[UUID, JobStatus]


@dataclass(slots=True)
class _Touch:
    """What lies on the leads of one instrument, for one quantity.

    Attributes:
        on: whether it has a value; for insulation, whether a voltage is on.
        began: rest in which it was begun; None for none, or where the beginning was not seen.
    """

    on: bool
    began: _Rest | None
    series: str
    at: float


class Unheeded:
    """Tells of touches and tests that were begun while a job takes nothing."""

    def __init__(self, *, counts: bool = True) -> None:
        """Begin; ``counts`` says whether a watch counts voltages, as it does hands-free only."""
        self._counts = counts
        self._touches: dict[tuple[str, str], _Touch] = {}

    def feed(self, state: JobState | None, reading: Seen) -> str:
        """Take in a reading; give one line for a person, empty where there is nothing to say.

        state: the job that was worked on last, as it is now; every reading is to be given, also
        while the job runs.
        """
        if reading.status == "stale":
            return ""
        rest = rest_of(state)
        key = (reading.instrument, reading.quantity)
        before, on = self._touches.get(key), _is_on(reading)
        if not on:
            began = None
        elif before is not None and _goes_on(before, reading):
            began = before.began
        else:
            # Leads of which nothing was seen may have lain on; a voltage is not on for hours.
            seen = before is not None or reading.quantity == INSULATION
            began = rest if seen else None
        self._touches[key] = _Touch(on, began, reading.series, reading.at)
        if state is None or rest is None or began != rest:
            return ""
        asked = {step.step.quantity for step in state.steps.values()}
        if reading.quantity not in asked:
            return ""
        return _words(
            state, reading, counted=self._counts and counted_for(state, reading) is not None
        )


def rest_of(state: JobState | None) -> _Rest | None:
    """Give how a job rests; None where something is to be taken, or nobody expects that any more.

    state: the job that was worked on last.
    """
    if state is None or state.status not in _TOLD:
        return None
    if state.status is JobStatus.RUNNING and state.current is not None:
        return None
    return state.job, state.status


def counted_for(state: JobState, reading: Seen) -> Step | None:
    """Give the step for which a voltage that comes on now is counted; None where none is.

    Voltage is on the winding though another step is to be done: its time counts all the same, for
    the step that it belongs to. While a job is paused its machine lies on the bench, and whoever
    goes on must meet the lock. Once it is finished another machine may lie there.

    reading: a line of the test. One that stands in no series may be what the instrument shows since
    earlier, so it counts only where the step to be done asks for it.
    """
    if state.status not in (JobStatus.RUNNING, JobStatus.PAUSED):
        return None
    due = None if state.current is None else state.current.step
    timed = due is not None and due.quantity == INSULATION and due.take.how == "timed"
    if not reading.series:
        asked = timed and due is not None and due.instrument in (None, reading.instrument)
        return due if asked else None
    if timed:
        return due
    steps = (each.step for each in state.steps.values())
    return next((step for step in steps if step.energy == "test-voltage"), None)


def _is_on(reading: Seen) -> bool:
    if reading.quantity == INSULATION:
        return reading.status not in NO_VOLTAGE  # above range is a value like any other
    return reading.value is not None


def _goes_on(before: _Touch, reading: Seen) -> bool:
    """Tell whether a reading is of the same touch, or of the same test, as the one before it."""
    if not before.on:
        return False
    if reading.quantity != INSULATION:
        return True
    if reading.series or before.series:
        return reading.series == before.series
    return reading.at - before.at <= SILENCE


def _words(state: JobState, reading: Seen, *, counted: bool) -> str:
    comes = f"{reading.quantity.replace('_', ' ')} comes in from {reading.instrument}, but "
    tested = reading.quantity == INSULATION
    # What protects from the voltage stands before what to do.
    voltage = ""
    if tested and not counted:
        voltage = (
            "; nobody counts for how long its voltage is on: keep the winding earthed for at least "
            "four times as long, and prove it discharged, before it is touched"
        )
    elif tested:
        voltage = "; for how long its voltage is on is counted"
    match state.status:
        case JobStatus.PAUSED:
            again = "test again" if tested else "lift the leads, and put them on again"
            return (
                f"{comes}the job is paused: nothing is taken until it goes on{voltage}; {again} "
                "after that"
            )
        case JobStatus.FINISHED:
            return (
                f"{comes}the job is finished: no step takes it{voltage}; tag it with its machine, "
                "or start another job"
            )
        case _:
            return f"{comes}every step is done: no step takes it{voltage}; do a step again for that"
