"""Where the test of a voltage begins: in which job, for which step; and what is written of it."""

from capture.jobs.desk import Desk
from capture.jobs.procedure import INSULATION, Step
from capture.jobs.service import Who
from capture.jobs.state import WATCHER, JobState, JobStatus, StepState
from capture.jobs.unheeded import counted_for
from capture.jobs.voltage import (
    ONE_TEST,
    TEST_VOLTAGE,
    Seen,
    VoltageTest,
    cadence_of,
    comes_on,
    earlier_lines,
    slow_lines,
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
    cadence, lines, new = put_on(desk, state, reading)
    asked = counted_for(state, reading, new=new)
    if asked is None:
        return None
    step = state.step(asked.id)
    # Its beginning may have come before the watch did, or before the step was chosen.
    if not cadence:
        lines = earlier_lines(reading, desk.service.before(reading.body))
    first = [*lines, reading][0]
    test = VoltageTest.for_step(state.job, step.step, attempt_of(step), first, now, clock)
    test.cadence = cadence
    if new or cadence:
        test.single = max(asked.take.at_s, default=ONE_TEST)
    if why := _why_not(desk, state, asked, reading, test, first.n):
        test.spoil(why)
    for line in lines:
        if line.quantity == TEST_VOLTAGE:
            test.volts(line)
        else:
            test.line(line)
    return test


def put_on(desk: Desk, state: JobState, reading: Seen) -> tuple[float, list[Seen], bool]:
    """Tell whether a line shows a voltage that was put on during a job.

    Gives the cadence of lines that come seldom, else 0; the earlier lines of such a test; whether
    the line, or one of those, shows that its voltage came on.
    """
    before = desk.service.before
    cadence = 0.0 if reading.series else cadence_of(reading, before(reading.body))
    if cadence:
        return cadence, *slow_lines(reading, before(reading.body), cadence, state.begun)
    return 0.0, [], not reading.series and comes_on(reading, before(reading.body))


def _why_not(
    desk: Desk, state: JobState, asked: Step, reading: Seen, test: VoltageTest, first: int
) -> str:
    """Say why nothing is taken from a test by itself; empty where something may be."""
    if asked.quantity == INSULATION and asked.instrument not in (None, reading.instrument):
        return f"step {asked.id} takes it from {asked.instrument}: test again with that"
    if state.status is JobStatus.PAUSED:
        return (
            "the test began before this step did, while the job was paused; test again, or "
            "take one yourself"
        )
    if first < desk.opened(state.job):
        return "the test began before this step did; test again, or take one yourself"
    if test.cadence:
        return (
            f"its lines come {test.cadence:.0f} s apart, too seldom for a value at its time: take "
            "one yourself"
        )
    return ""


def write_down(desk: Desk, test: VoltageTest, *, ended: bool = False) -> bool:
    """Write down for how long a test voltage has been on, as far as that is not written yet.

    Whatever the job's status: it was on the winding, and somebody may touch that. Gives False
    where it cannot be written now.

    ended: it has ended, so the wait for its discharge begins now. Of lines that come seldom more
    was written than they had told, and yet the wait counted from there.
    """
    seconds = min(test.under_voltage, LONGEST)
    later = ended and test.cadence and not test.over and test.heard > test.told
    if seconds <= 0 or (seconds <= test.counted and not later):
        return True
    for _ in range(3):
        state = desk.service.state(test.job)
        if seconds > test.elapsed and not test.cadence and _told_since(state, test):
            return True  # somebody took what came, and told its time with it
        event = Applied(step=test.step, seconds=seconds)
        try:
            desk.act(test.job, event, Who(WATCHER, new_id()), state.last)
        except StaleError:
            continue
        test.counted, test.told = seconds, test.heard
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
