"""Readings that come while their job takes none: whoever began the test gets a word. Pure.

A test that was begun for the step that is due, or leads that have lain on since, are none of these:
a meter that is asked again and again goes on showing the same. A test voltage gets its word while
another step is due as well: whoever moves the leads of that step meets it.
"""

from dataclasses import dataclass
from uuid import UUID

from capture.jobs.procedure import INSULATION, Step
from capture.jobs.state import JobState, JobStatus
from capture.jobs.voltage import NO_VOLTAGE, SILENCE, Seen

_TOLD = (JobStatus.RUNNING, JobStatus.PAUSED, JobStatus.FINISHED, JobStatus.VOIDED)
_Rest = tuple[UUID, JobStatus]


@dataclass(slots=True)
class _Touch:
    """What lies on the leads of one instrument, for one quantity.

    Attributes:
        on: whether it has a value; for insulation, whether a voltage is on.
        began: rest in which it was begun; None for none, or where the beginning was not seen.
        counted: whether somebody counts for how long a voltage is on.
    """

    on: bool
    began: _Rest | None
    series: str
    at: float
    digits: str
    counted: bool


class Unheeded:
    """Tells of touches and tests that were begun while a job takes nothing of them."""

    def __init__(self) -> None:
        self._touches: dict[tuple[str, str], _Touch] = {}

    def feed(self, state: JobState | None, reading: Seen, *, counted: bool = False) -> str:
        """Take in a reading; give one line for a person, empty where there is nothing to say.

        state: the job that was worked on last, as it is now; every reading is to be given, also
        while the job runs. counted: whether the time of a voltage that it shows is being counted.
        """
        if reading.status == "stale" or not reading.by_instrument:
            return ""
        rest = _rest_for(state, reading)
        key = (reading.instrument, reading.quantity)
        before, on = self._touches.get(key), _is_on(reading)
        still = False
        if not on:
            began = None
        elif before is not None and _goes_on(before, reading):
            began, still = before.began, before.digits == reading.digits
            counted = counted or before.counted
        else:
            # Leads of which nothing was seen may have lain on; a voltage is not on for hours.
            seen = before is not None or reading.quantity == INSULATION
            began = rest if seen else None
        self._touches[key] = _Touch(on, began, reading.series, reading.at, reading.digits, counted)
        if state is None or rest is None or began != rest:
            return ""
        if still and not counted and _due(state) is not None:
            return ""  # a display that stands still may show an old result; it was told once
        asked = {step.step.quantity for step in state.steps.values()}
        over = (JobStatus.FINISHED, JobStatus.VOIDED)
        tells = reading.quantity == INSULATION and state.status not in over
        if reading.quantity not in asked and not tells:
            return ""
        return _words(state, reading, counted=counted)


def rest_of(state: JobState | None) -> _Rest | None:
    """Give how a job rests; None where something is to be taken, or nobody expects that any more.

    state: the job that was worked on last.
    """
    if state is None or state.status not in _TOLD:
        return None
    if state.status is JobStatus.RUNNING and state.current is not None:
        return None
    return state.job, state.status


def elsewhere(state: JobState, reading: Seen) -> bool:
    """Tell whether a job runs whose step that is due asks for no insulation of this instrument."""
    due = _due(state)
    if reading.quantity != INSULATION or due is None:
        return False
    return due.quantity != INSULATION or due.instrument not in (None, reading.instrument)


def _rest_for(state: JobState | None, reading: Seen) -> _Rest | None:
    """Give how a job rests for a reading: a voltage that another step is due for meets none."""
    if state is not None and elsewhere(state, reading):
        return state.job, state.status
    return rest_of(state)


def _due(state: JobState) -> Step | None:
    """Give the step that a running job has due; None for none."""
    if state.status is not JobStatus.RUNNING or state.current is None:
        return None
    return state.current.step


def counted_for(state: JobState, reading: Seen, *, new: bool) -> Step | None:
    """Give the step for which a voltage that comes on now is counted; None where none is.

    Voltage is on the winding though another step is to be done: its time counts all the same, for
    the step that it belongs to. While a job is paused its machine lies on the bench, and whoever
    goes on must meet the lock. Once it is finished another machine may lie there.

    reading: a line of the test. new: whether its voltage was put on just now, see `comes_on`. One
    that stands in no series may be what the instrument shows since earlier, so it counts only where
    it is new, or where the step to be done asks for it.

    A procedure without a step for it has the same winding: it counts for the step that is due.
    """
    if state.status not in (JobStatus.RUNNING, JobStatus.PAUSED):
        return None
    due = None if state.current is None else state.current.step
    timed = due is not None and due.quantity == INSULATION and due.take.how == "timed"
    if timed and due is not None and due.instrument in (None, reading.instrument):
        return due
    if not reading.series and not new:
        return None
    if timed:
        return due
    steps = (each.step for each in state.steps.values())
    return next((step for step in steps if step.energy == "test-voltage"), due)


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


def _zero(state: JobState, reading: Seen) -> str:
    """Say what comes before leads are lifted, where a meter may drive a current through them."""
    steps = (each.step for each in state.steps.values())
    drives = any(s.quantity == reading.quantity and s.energy == "direct-current" for s in steps)
    return "once the meter's current is zero, " if drives else ""


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
    due = _due(state)
    if due is not None and elsewhere(state, reading):
        own = due.quantity == INSULATION
        wants = f"takes it from {due.instrument}" if own else "is to be done"
        return (
            f"{comes}step {due.id} {wants}: nothing takes this{voltage}; end the test and "
            "discharge the winding before a lead is moved, then choose the step that the test "
            "belongs to"
        )
    match state.status:
        case JobStatus.PAUSED:
            again = (
                "test again"
                if tested
                else f"{_zero(state, reading)}lift the leads, and put them on again"
            )
            return (
                f"{comes}the job is paused: nothing is taken until it goes on{voltage}; {again} "
                "after that"
            )
        case JobStatus.FINISHED | JobStatus.VOIDED:
            return (
                f"{comes}the job is {state.status}: no step takes it{voltage}; tag it with its "
                "machine, or start another job"
            )
        case _:
            return f"{comes}every step is done: no step takes it{voltage}; do a step again for that"
