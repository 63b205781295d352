"""Hands-free capture: follows the journal and takes the readings of the step that is to be done.

A reading is taken only from a touch whose beginning was seen: a sample without value (open leads)
came between the step's beginning and the value. So the touch that served one step never serves the
next, not even after a restart. An instrument that says nothing while its leads are open cannot show
a touch; a person takes its readings.

Insulation does not settle; it is taken at set times since the voltage was reached. The time that a
test voltage was on the winding is written down, whether or not anything was taken.

The job is the one that was worked on last; another one waits until somebody touches it.

One file, since touches, tests and turns decide over the same few fields entry by entry; what can be
told without them stands in `settling.py`, `timing.py`, `voltage.py`, `under_test.py`, `locks.py`.
"""

from dataclasses import dataclass, replace
from typing import Any
from uuid import UUID

import structlog

from capture.clock import Clock
from capture.errors import InputError, JournalError
from capture.jobs.desk import Desk
from capture.jobs.fit import of_energy
from capture.jobs.known import KnownJobs
from capture.jobs.locks import locks
from capture.jobs.procedure import INSULATION
from capture.jobs.rules import LockedError
from capture.jobs.service import Who
from capture.jobs.settling import SettleWatch
from capture.jobs.state import WATCHER, JobState, JobStatus, StepState, apply
from capture.jobs.under_test import LONGEST, attempt_of, begin_test, write_down
from capture.jobs.unheeded import Unheeded, elsewhere, rest_of
from capture.jobs.voltage import (
    ENDS_TEST,
    NO_VOLTAGE,
    SILENCE,
    STANDS_STILL,
    TEST_VOLTAGE,
    Seen,
    VoltageTest,
)
from capture.journal import Row, StaleError
from capture.model import new_id
from capture.model.job import Finished, JobEntry, Noted, SignedOff

_JUMP = 2.0  # seconds by which the host's clock may drift from its monotonic one between samples
_STILL = 5.0  # seconds without a reading, in a touch, after which a person is told why
_CURRENT = "direct-current"  # leads that are lifted while it flows draw an arc
_AGAIN = 3.0  # times as long under voltage as was written down; its wait runs out at five
_STANDS = 10.0  # seconds for which a word about a voltage goes before what a step waits for


@dataclass(frozen=True, slots=True)
class Watch:
    """What the watcher sees now.

    Attributes:
        reason: one line for a person: what it waits for.
        value: newest value of the step's quantity, base unit.
        remaining: fitted change still to come, base unit.
        time_constant: seconds.
        elapsed: seconds since the test voltage was reached.
    """

    job: UUID | None = None
    step: str | None = None
    instrument: str | None = None
    reason: str = "no job is running"
    value: float | None = None
    remaining: float | None = None
    time_constant: float | None = None
    elapsed: float | None = None


@dataclass
class _Touch:
    """One quantity of one instrument: its settling, and whether a touch may be taken."""

    watch: SettleWatch
    open: bool = False
    """Whether the leads were seen open since the last step."""
    lifted: bool = False
    """Whether the newest sample had no value."""
    offset: float | None = None
    heard: float = 0.0
    """When the newest sample came, monotonic seconds."""


class JobWatch:
    """Decides and acts, entry by entry. Used by one thread; knows no journal but through the desk.

    desk: what is written goes through it. relative_uncertainty (a part of the value),
    longest_time_constant (seconds): see `SettleWatch`.
    """

    def __init__(
        self,
        desk: Desk,
        clock: Clock,
        *,
        relative_uncertainty: float = 5e-4,
        longest_time_constant: float = 30.0,
    ) -> None:
        self.seen = Watch()
        #: Steps taken, and takes that were refused, since the start.
        self.taken = self.not_taken = 0
        self._desk = desk
        self._clock = clock
        self._settling = (relative_uncertainty, longest_time_constant)
        self._jobs = KnownJobs(desk)
        self._states = self._jobs.states
        self._touches: dict[tuple[str, str], _Touch] = {}
        self._tests: dict[str, VoltageTest] = {}
        self._unheeded = Unheeded()
        self._refused = ""
        self._standing: tuple[str, float] = ("", 0.0)
        self._turn: tuple[UUID, str, int] | None = None
        self._rest: tuple[UUID, JobStatus] | None = None
        self._log = structlog.get_logger()

    def load(self) -> None:
        """Take in the jobs as they stand, and store results that a crash left out.

        Raises:
            JournalError: the journal cannot be read now; may be called again.
        """
        self._jobs.load()
        self._look_at_turn()

    @property
    def in_use(self) -> bool:
        """Whether a job runs."""
        return self._running() is not None

    def row(self, row: Row) -> None:
        """Take in one entry of the journal, in order."""
        if row.kind == "job":
            self._job(row)
        elif row.kind == "reading" and (reading := Seen.of(row)).by_instrument:
            self._reading(reading)

    def tick(self) -> None:
        """Write down test voltages that have ended since; say why a touch does not settle."""
        now = self._clock.monotonic()
        self._say_if_still(now)
        for instrument, test in list(self._tests.items()):
            if now - test.heard > test.pause:
                self._end_test(instrument, test)
            elif now - test.heard > SILENCE and not test.counted:
                # Lines that come seldom: what is to be held waits for no further one.
                write_down(self._desk, test)

    # ── jobs ─────────────────────────────────────────────────────────────────────────────────

    def _job(self, row: Row) -> None:
        entry = JobEntry.model_validate_json(row.body)
        old = self._states.get(entry.job)
        if old is None:
            self._states[entry.job] = self._desk.service.state(entry.job)
        elif row.n > old.last:
            self._states[entry.job] = apply(old, row.n, entry)
        self._look_at_turn()
        voids = isinstance(entry.event, Noted) and entry.event.voids
        if voids:
            self._log.warning("jobs.voided", job=str(entry.job), operator=entry.operator)
        if voids or isinstance(entry.event, Finished | SignedOff):
            # A voltage may stand on the winding still: whoever signs is told, and so is the record.
            for test in self._tests.values():
                if test.job == entry.job:
                    write_down(self._desk, test)

    def _running(self) -> JobState | None:
        """Give the job that was worked on last, of those that run."""
        running = [s for s in self._states.values() if s.status is JobStatus.RUNNING]
        return max(running, key=lambda each: each.worked, default=None)

    def _at_hand(self) -> JobState | None:
        """Give the job that whoever tests now most likely means: one that runs, else the last."""
        return self._running() or max(self._states.values(), key=lambda s: s.worked, default=None)

    def _current(self) -> tuple[JobState, StepState] | None:
        state = self._running()
        if state is None or state.current is None:
            return None
        return state, state.current

    def _look_at_turn(self) -> None:
        """Notice that another step, or the same one again, is to be done: a new touch is needed."""
        current = self._current()
        turn = None
        if current is not None:
            state, step = current
            turn = (state.job, step.step.id, attempt_of(step))
        rest = rest_of(self._at_hand()) if turn is None else None
        if (turn, rest) == (self._turn, self._rest):
            return
        self._turn, self._rest = turn, rest
        for touch in self._touches.values():
            touch.open = touch.lifted
            if not touch.lifted:
                touch.watch.reset()
        if current is None:
            self.seen = Watch()
        else:
            self._say(*current, "waiting for a reading")

    # ── readings ─────────────────────────────────────────────────────────────────────────────

    def _reading(self, reading: Seen) -> None:
        test = self._tests.get(reading.instrument)
        if reading.quantity == TEST_VOLTAGE and test is not None:
            test.volts(reading)
        state = self._at_hand()
        due = None if state is None else state.current
        wanted = None if due is None else due.step
        asked = (
            wanted is not None
            and reading.quantity == wanted.quantity
            and wanted.instrument in (None, reading.instrument)
            and of_energy(wanted, reading.body)
        )
        touch = self._touch(reading)
        # A voltage that stands on the winding counts, whatever is to be done now.
        counted = reading.quantity == INSULATION and self._in_test(reading)
        unheeded = self._unheeded.feed(state, reading, counted=counted)
        if unheeded and state is not None:
            self.seen = Watch(job=state.job, instrument=reading.instrument, reason=unheeded)
            if elsewhere(state, reading) and not counted:
                # Of one that is counted, the lock speaks; of this one nobody does again.
                self._standing = (unheeded, self._clock.monotonic() + _STANDS)
        if counted:
            self._say_if_it_stands(reading, unheeded)
        runs = state is not None and state.status is JobStatus.RUNNING
        if state and due and runs and asked and due.step.take.how == "settled":
            self._settle(reading, state, due, touch)
        elif touch.lifted:
            # Where open leads are stored once, this is the beginning of the next touch.
            touch.watch.feed(reading.sample())

    def _touch(self, reading: Seen) -> _Touch:
        key = (reading.instrument, reading.quantity)
        touch = self._touches.get(key)
        if touch is None:
            touch = self._touches[key] = _Touch(SettleWatch(*self._settling))
        offset = reading.at - self._clock.monotonic()
        if touch.offset is not None and abs(offset - touch.offset) > _JUMP:
            touch.watch.reset()  # the host's clock was set: times before and after do not compare
        touch.offset = offset
        touch.heard = self._clock.monotonic()
        if reading.status != "stale":
            touch.lifted = reading.value is None
        if touch.lifted:
            touch.open = True
        return touch

    def _settle(self, reading: Seen, state: JobState, step: StepState, touch: _Touch) -> None:
        # What holds the step stands before the leads: nobody is to lift them meanwhile.
        own = step.step.quantity == INSULATION
        if not own and (under := self._under_voltage(state)):
            touch.watch.reset()
            self._say(state, step, under, reading)
            return
        held = locks(
            state,
            step.step.id,
            self._clock.utc(),
            lambda id_: self._desk.results.failed(state, id_),
            [other for other in self._jobs.of_machine(state.machine) if other.applications],
        )
        if held:
            touch.watch.reset()
            self._say(state, step, held[0].words, reading)
            return
        if not touch.open:
            zero = "once the meter's current is zero, " if step.step.energy == _CURRENT else ""
            self._say(state, step, f"{zero}lift the leads, then put them on", reading)
            return
        decision = touch.watch.feed(reading.sample())
        self._say(state, step, decision.reason, reading, decision.remaining, decision.time_constant)
        if not decision.settled:
            return
        if reading.value is None or reading.value <= 0:
            touch.watch.reset()
            self._say(state, step, "settled, but not above zero; look at the leads", reading)
            return
        beside = self._desk.beside(reading.n, reading.body)
        try:
            taken = self._take(state, step, [reading.id, *beside], "settled")
        except JournalError:
            touch.watch.reset()  # the same touch is looked at again once the journal can be written
            raise
        if not taken:
            touch.watch.reset()

    def _under_voltage(self, state: JobState) -> str:
        """Say that a test voltage is on the winding of a job's machine; empty for none."""
        for instrument, test in self._tests.items():
            if not test.over and self._states[test.job].machine == state.machine:
                return (
                    f"{instrument} has a test voltage on the winding, as far as it tells: end that "
                    "test first, and touch no lead until the winding is discharged"
                )
        return ""

    def _take(
        self, state: JobState, step: StepState, readings: list[UUID], how: str, **more: Any
    ) -> bool:
        for _ in range(3):
            who = Who(WATCHER, new_id())
            try:
                after = self._desk.take(
                    state.job, step.step.id, readings, who, state.last, how=how, **more
                )
            except StaleError:
                # Somebody acted meanwhile. Where that changes nothing of what is to be done (a
                # note, say), the reading is as good as before.
                turn = self._turn
                state = self._states[state.job] = self._desk.service.state(state.job)
                self._look_at_turn()
                if self._turn != turn:
                    return False
                continue
            except (InputError, LockedError) as error:
                self.not_taken += 1
                if str(error) != self._refused:
                    self._log.warning("watcher.not_taken", step=step.step.id, reason=str(error))
                self._refused = str(error)
                self.seen = Watch(state.job, step.step.id, reason=str(error))
                return False
            self._states[state.job] = after
            self.taken += 1
            self._log.info("watcher.taken", job=str(state.job), step=step.step.id, how=how)
            self._look_at_turn()
            return True
        return False

    def _say(
        self,
        state: JobState,
        step: StepState,
        reason: str,
        reading: Seen | None = None,
        remaining: float | None = None,
        time_constant: float | None = None,
        elapsed: float | None = None,
    ) -> None:
        if step.step.take.how == "keyed" and reading is None:
            reason = "key what the display shows"
        words, until = self._standing
        if words and self._clock.monotonic() < until and step.step.quantity != INSULATION:
            reason = words
        self.seen = Watch(
            job=state.job,
            step=step.step.id,
            instrument=None if reading is None else reading.instrument,
            reason=reason,
            value=None if reading is None else reading.value,
            remaining=remaining,
            time_constant=time_constant,
            elapsed=elapsed,
        )

    # ── test voltages ────────────────────────────────────────────────────────────────────────

    def _in_test(self, reading: Seen) -> bool:
        """Follow one line of a test: whose step it is, since when, and what is due.

        Gives whether its time is counted.
        """
        if reading.status in NO_VOLTAGE:
            return False
        now = self._clock.monotonic()
        test = self._tests.get(reading.instrument)
        anew = test is not None and test.over and reading.status not in ENDS_TEST
        if test is not None and (anew or test.series != reading.series):
            self._end_test(reading.instrument, test)
            test = None
        if test is None:
            test = self._begin_test(reading, now)
            if test is None:
                return False
        if reading.status in ENDS_TEST:
            self._say_here(f"the instrument says {reading.status}: the test is over", reading)
            test.heard = now
            if not test.over:
                test.elapsed = max(test.elapsed, reading.elapsed, reading.at - test.began)
            # Kept as long as the display says so: each further line would pass for another test.
            test.over = True
            write_down(self._desk, test)
            return True
        test.heard = now
        if not test.series and abs(self._host_clock() - test.clock) > _JUMP:
            test.spoil("the host's clock was set during the test; test again")
            test.elapsed = max(test.elapsed, now - self._began_here(test))
        else:
            test.line(reading)
        self._decide(test, reading)
        if test.counted and test.elapsed >= _AGAIN * test.counted:
            # Nobody ended the test after its step was taken: the wait must not run out under it.
            write_down(self._desk, test)
        return True

    def _say_if_it_stands(self, reading: Seen, unheeded: str) -> None:
        """Say that a voltage is counted by a display that does not move: it may show a result."""
        test, current = self._tests[reading.instrument], self._current()
        if test.stood < STANDS_STILL or test.over:
            return
        own = current is not None and current[1].step.quantity == INSULATION
        if own and test.timed is not None:
            return  # it waits for the times that the step asks for
        words = (
            f"the display of {reading.instrument} has stood still to the last digit for "
            f"{test.stood:.0f} s, and counts as voltage as long as it does: end the test where it "
            "still runs; where it only shows a result, clear it; then discharge the winding"
        )
        self._standing = (words, self._clock.monotonic() + _STANDS)
        if own and current is not None:
            self._say(*current, words, reading)
        else:
            words = f"{unheeded}; {words}" if unheeded else words
            self.seen = Watch(job=test.job, instrument=reading.instrument, reason=words)

    def _host_clock(self) -> float:
        return self._clock.utc().timestamp() - self._clock.monotonic()

    @staticmethod
    def _began_here(test: VoltageTest) -> float:
        """Give when a test began, in monotonic seconds."""
        return test.began - test.clock

    def _begin_test(self, reading: Seen, now: float) -> VoltageTest | None:
        state = self._at_hand()
        if state is None:
            return None
        test = begin_test(self._desk, state, reading, now, self._host_clock())
        if test is not None:
            self._tests[reading.instrument] = test
        return test

    def _decide(self, test: VoltageTest, reading: Seen) -> None:
        current = self._current()
        if current is None:
            return
        state, step = current
        if (state.job, step.step.id, attempt_of(step)) != (test.job, test.step, test.attempt):
            return
        if test.timed is None:
            if test.why_not:
                self._say(state, step, test.why_not, reading)
            return
        since = test.since
        missed = test.missed()
        if missed:
            times = ", ".join(f"{at:g} s" for at in missed)
            self._say(
                state, step, f"no reading at {times}; test again, or take one yourself", reading
            )
            return
        self._say(
            state, step, f"{since:.0f} s since the voltage was reached", reading, elapsed=since
        )
        if set(test.found) == set(step.step.take.at_s):
            readings = [test.found[at].id for at in step.step.take.at_s]
            seconds = min(max(test.elapsed, 1.0), LONGEST)
            if self._take(state, step, readings, "timed", applied_seconds=seconds):
                test.counted = test.elapsed
                test.timed = None

    def _end_test(self, instrument: str, test: VoltageTest) -> None:
        """Write down for how long a test voltage was on, and forget the test.

        Where that cannot be written now, the test is kept, and it is tried again.
        """
        if write_down(self._desk, test, ended=True) and self._tests.get(instrument) is test:
            del self._tests[instrument]

    def _say_if_still(self, now: float) -> None:
        """Say that nothing comes any more, though the leads lie on.

        A meter that is asked by FETCh? may stand still to the last digit. Whether it measured again
        or only answered again is not known then, so the equal answers are no readings, and there is
        nothing to see a settling by.
        """
        current = self._current()
        if current is None or current[1].step.take.how != "settled":
            return
        for (instrument, quantity), touch in self._touches.items():
            under_way = touch.open and not touch.lifted and quantity == current[1].step.quantity
            if under_way and instrument == self.seen.instrument and now - touch.heard > _STILL:
                reason = (
                    f"nothing new from {instrument}: take the reading yourself; measures_every_s in"
                    " its configuration lets a display that stands still be taken"
                )
                self.seen = replace(self.seen, reason=reason)

    def _say_here(self, reason: str, reading: Seen) -> None:
        current = self._current()
        if current is not None and current[1].step.quantity == reading.quantity:
            self._say(*current, reason, reading)
