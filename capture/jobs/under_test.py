"""Where the test of a voltage begins: in which job, for which step; and what is written of it."""

from capture.jobs.desk import Desk
from capture.jobs.procedure import INSULATION
from capture.jobs.service import Who
from capture.jobs.state import WATCHER, JobState, JobStatus, StepState
from capture.jobs.unheeded import counted_for
from capture.jobs.voltage import (
    ONE_TEST,
    TEST_VOLTAGE,
    Seen,
    VoltageTest,
    comes_on,
    earlier_lines,
)
from capture.journal import StaleError
from capture.model import new_id
from capture.model.job import Applied

#: Seconds under voltage that can be written down at once.
LONGEST = 86_400.0


def begin_test(
    desk: Desk, state: JobState, reading: Seen, now: float, clock: float
) -> VoltageTest | None:
    """Begin to count a voltage, with the lines that came before; None where nobody counts it.

    state: the job that whoever tests now most likely means. now: monotonic seconds. clock: the
    host's time less those.
    """
    if state.status not in (JobStatus.RUNNING, JobStatus.PAUSED):
        return None
    before = desk.service.before(reading.body)
    new = not reading.series and comes_on(reading, before)
    asked = counted_for(state, reading, new=new)
    if asked is None:
        return None
    step = state.step(asked.id)
    # Its beginning may have come before the watch did, or before the step was chosen.
    lines = earlier_lines(reading, desk.service.before(reading.body))
    first = [*lines, reading][0]
    test = VoltageTest.for_step(state.job, step.step, attempt_of(step), first, now, clock)
    if new:
        test.single = max(asked.take.at_s, default=ONE_TEST)
    if asked.quantity == INSULATION and asked.instrument not in (None, reading.instrument):
        test.spoil(f"step {asked.id} takes it from {asked.instrument}: test again with that")
    elif state.status is JobStatus.PAUSED:
        test.spoil(
            "the test began before this step did, while the job was paused; test again, or "
            "take one yourself"
        )
    elif first.n < desk.opened(state.job):
        test.spoil("the test began before this step did; test again, or take one yourself")
    for line in lines:
        if line.quantity == TEST_VOLTAGE:
            test.volts(line)
        else:
            test.line(line)
    return test


def write_down(desk: Desk, test: VoltageTest) -> bool:
    """Write down for how long a test voltage has been on, as far as that is not written yet.

    Whatever the job's status: it was on the winding, and somebody may touch that. Gives False
    where it cannot be written now.
    """
    seconds = min(test.under_voltage, LONGEST)
    if seconds <= max(test.counted, 0.0):
        return True
    for _ in range(3):
        state = desk.service.state(test.job)
        if seconds > test.elapsed and _told_since(state, test):
            return True  # somebody took what came, and told its time with it
        event = Applied(step=test.step, seconds=seconds)
        try:
            desk.act(test.job, event, Who(WATCHER, new_id()), state.last)
        except StaleError:
            continue
        test.counted = seconds
        return True
    return False


def _told_since(state: JobState, test: VoltageTest) -> bool:
    """Tell whether a voltage of the test's step was written down since the test began."""
    return any(
        each.step == test.step and each.ended.timestamp() >= test.began
        for each in state.applications
    )


def attempt_of(step: StepState) -> int:
    """Count how often a step was begun anew: each time asks for a touch, or a test, of its own."""
    return len(step.superseded) + len(step.refused)
