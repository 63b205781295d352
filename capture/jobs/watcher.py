"""Hands-free capture: follows the journal and takes the readings of the step that is to be done.

A reading is taken only from a touch whose beginning was seen: a sample without value (open leads)
came between the step's beginning and the value. So the touch that served one step never serves the
next, not even after a restart. An instrument that says nothing while its leads are open cannot show
a touch; a person takes its readings.

Insulation does not settle; it is taken at set times since the voltage was reached. The time that a
test voltage was on the winding is written down, whether or not anything was taken.

The job is the one that was worked on last; another one waits until somebody touches it.
"""

import json
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import UUID

import structlog

from capture.clock import Clock
from capture.errors import CaptureError, InputError, JournalError
from capture.jobs.desk import Desk
from capture.jobs.locks import locks
from capture.jobs.procedure import Step
from capture.jobs.rules import LockedError
from capture.jobs.service import Who
from capture.jobs.settling import Sample, SettleWatch, TimedWatch, voltage_reached
from capture.jobs.state import JobState, JobStatus, StepState, apply
from capture.journal import JournalReader, Row, StaleError
from capture.model import new_id
from capture.model.job import Applied, JobEntry

#: Who stands in the entries that the watcher writes.
OPERATOR = "watcher"
_PAGE = 500
_POLL = 0.5  # seconds without news after which running tests are looked at
_SILENCE = 3.0  # seconds without a line after which a test has ended
_JUMP = 2.0  # seconds by which the host's clock may drift from its monotonic one between samples
_NO_VOLTAGE = frozenset({"invalid", "stale", "live-voltage"})
_ENDS_TEST = frozenset({"breakdown", "aborted"})
_INSULATION = "insulation_resistance"


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


@dataclass(frozen=True, slots=True)
class Seen:
    """What the watch needs of a stored reading."""

    n: int
    body: Mapping[str, Any]
    instrument: str
    quantity: str
    value: float | None
    status: str
    at: float

    @classmethod
    def of(cls, row: Row) -> "Seen":
        """Read a row of the journal."""
        body = json.loads(row.body)
        return cls(
            n=row.n,
            body=body,
            instrument=row.instrument,
            quantity=row.subject,
            value=body.get("value"),
            status=body["status"],
            at=datetime.fromisoformat(body["time"]).timestamp(),
        )

    @property
    def id(self) -> UUID:
        """The reading's id."""
        return UUID(self.body["id"])

    def sample(self) -> Sample:
        """Write it as the settling watch takes it."""
        uncertainty = self.body.get("uncertainty") or {}
        return Sample(
            seconds=self.at,
            value=self.value,
            standard_uncertainty=uncertainty.get("standard") or None,
            range=str((self.body.get("conditions") or {}).get("range", "")),
            status=self.status,
        )


@dataclass
class _Touch:
    """One quantity of one instrument: its settling, and whether a touch may be taken."""

    watch: SettleWatch
    open: bool = False
    """Whether the leads were seen open since the last step."""
    lifted: bool = False
    """Whether the newest sample had no value."""
    offset: float | None = None


@dataclass
class _Test:
    """One run of a test voltage, as an insulation tester tells it."""

    step: str
    job: UUID
    series: str
    began: float
    heard: float
    elapsed: float = 0.0
    counted: float = 0.0
    """Seconds that were written down already."""
    timed: TimedWatch | None = None
    volts: list[tuple[float, float]] = field(default_factory=list)
    samples: dict[float, Seen] = field(default_factory=dict)
    found: dict[float, Seen] = field(default_factory=dict)
    reached: float | None = None


class JobWatch:
    """Decides and acts, entry by entry. Used by one thread; knows no journal but through the desk.

    desk: what is written goes through it. relative_uncertainty, longest_time_constant: see
    `SettleWatch`.
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
        self._desk = desk
        self._clock = clock
        self._settling = (relative_uncertainty, longest_time_constant)
        self._states: dict[UUID, JobState] = {}
        self._touches: dict[tuple[str, str], _Touch] = {}
        self._tests: dict[str, _Test] = {}
        self._turn: tuple[UUID, str, int] | None = None
        self._log = structlog.get_logger()

    def load(self) -> None:
        """Take in all jobs as they stand, and store results that a crash left out."""
        for state in self._desk.service.jobs():
            self._states[state.job] = state
            if state.status is not JobStatus.SIGNED_OFF:
                self._desk.results.update(state.job, self._clock.utc())
        self._look_at_turn()

    def row(self, row: Row) -> None:
        """Take in one entry of the journal, in order."""
        if row.kind == "job":
            self._job(row)
        elif row.kind == "reading":
            self._reading(Seen.of(row))

    def tick(self) -> None:
        """Write down test voltages that have ended since."""
        now = self._clock.monotonic()
        for instrument, test in list(self._tests.items()):
            if now - test.heard > _SILENCE:
                self._end_test(instrument)

    # ── jobs ─────────────────────────────────────────────────────────────────────────────────

    def _job(self, row: Row) -> None:
        entry = JobEntry.model_validate_json(row.body)
        old = self._states.get(entry.job)
        if old is None:
            self._states[entry.job] = self._desk.service.state(entry.job)
        elif row.n > old.last:
            self._states[entry.job] = apply(old, row.n, entry)
        self._look_at_turn()

    def _current(self) -> tuple[JobState, StepState] | None:
        running = [s for s in self._states.values() if s.status is JobStatus.RUNNING]
        state = max(running, key=lambda each: each.last, default=None)
        if state is None or state.current is None:
            return None
        return state, state.current

    def _look_at_turn(self) -> None:
        """Notice that another step, or the same one again, is to be done: a new touch is needed."""
        current = self._current()
        turn = None
        if current is not None:
            state, step = current
            attempt = len(step.superseded) + len(step.refused)
            turn = (state.job, step.step.id, attempt)
        if turn == self._turn:
            return
        self._turn = turn
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
        if reading.quantity == "test_voltage":
            self._test_voltage(reading)
        current = self._current()
        if current is None:
            return
        state, step = current
        wanted = step.step
        if reading.quantity == _INSULATION and reading.body.get("series"):
            self._in_test(reading, state)
        touch = self._touch(reading)
        if reading.quantity != wanted.quantity:
            return
        if wanted.instrument is not None and wanted.instrument != reading.instrument:
            return
        match wanted.take.how:
            case "settled":
                self._settle(reading, state, step, touch)
            case "timed" if not reading.body.get("series"):
                self._in_test(reading, state)

    def _touch(self, reading: Seen) -> _Touch:
        key = (reading.instrument, reading.quantity)
        touch = self._touches.get(key)
        if touch is None:
            touch = self._touches[key] = _Touch(SettleWatch(*self._settling))
        offset = reading.at - self._clock.monotonic()
        if touch.offset is not None and abs(offset - touch.offset) > _JUMP:
            touch.watch.reset()  # the host's clock was set: times before and after do not compare
        touch.offset = offset
        if reading.status != "stale":
            touch.lifted = reading.value is None
        if touch.lifted:
            touch.open = True
        return touch

    def _settle(self, reading: Seen, state: JobState, step: StepState, touch: _Touch) -> None:
        if not touch.open:
            self._say(state, step, "lift the leads, then put them on", reading)
            return
        held = locks(
            state,
            step.step.id,
            self._clock.utc(),
            lambda id_: self._desk.results.failed(state, id_),
        )
        if held:
            touch.watch.reset()
            self._say(state, step, held[0].words, reading)
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
        if not self._take(state, step.step, [reading.id, *beside], "settled"):
            touch.watch.reset()

    def _take(
        self, state: JobState, step: Step, readings: list[UUID], how: str, **more: Any
    ) -> bool:
        who = Who(OPERATOR, new_id())
        try:
            after = self._desk.take(state.job, step.id, readings, who, state.last, how=how, **more)
        except StaleError:
            return False  # somebody acted meanwhile; their entry is on its way to us
        except (InputError, LockedError) as error:
            self._log.warning("watcher.not_taken", step=step.id, reason=str(error))
            self.seen = Watch(state.job, step.id, reason=str(error))
            return False
        self._states[state.job] = after
        self._log.info("watcher.taken", job=str(state.job), step=step.id, how=how)
        self._look_at_turn()
        return True

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

    def _test_voltage(self, reading: Seen) -> None:
        test = self._tests.get(reading.instrument)
        series = reading.body.get("series")
        if (
            test is not None
            and series
            and series["id"] == test.series
            and reading.value is not None
        ):
            test.volts.append((float(series["elapsed"]), reading.value))

    def _in_test(self, reading: Seen, state: JobState) -> None:
        """Follow one line of a test: whose step it is, since when, and what is due."""
        if reading.status in _NO_VOLTAGE:
            return
        now = self._clock.monotonic()
        series = reading.body.get("series")
        test = self._tests.get(reading.instrument)
        if test is not None and series and test.series != series["id"]:
            self._end_test(reading.instrument)
            test = None
        if test is None:
            test = self._begin_test(reading, state, now)
            if test is None:
                return
        test.heard = now
        test.elapsed = float(series["elapsed"]) if series else reading.at - test.began
        if reading.status in _ENDS_TEST:
            self._end_test(reading.instrument)
            return
        test.samples[test.elapsed] = reading
        if test.timed is not None:
            self._decide(test, test.timed, reading)

    def _begin_test(self, reading: Seen, state: JobState, now: float) -> _Test | None:
        current = state.current
        step = current.step if current is not None else None
        timed = None
        if step is not None and step.quantity == _INSULATION and step.take.how == "timed":
            timed = TimedWatch(step.take.at_s, step.take.within_s)
        else:
            # Voltage is on the winding though another step is to be done: its time counts all the
            # same, for the step of this job that it belongs to.
            step = next(
                (s.step for s in state.steps.values() if s.step.energy == "test-voltage"), None
            )
        if step is None:
            return None
        series = reading.body.get("series")
        test = _Test(
            step=step.id,
            job=state.job,
            series=series["id"] if series else "",
            began=reading.at,
            heard=now,
            timed=timed,
        )
        self._tests[reading.instrument] = test
        self._earlier_volts(reading)
        return test

    def _earlier_volts(self, reading: Seen) -> None:
        """Take in the voltage that stood in the first line, should it have come before the ohms."""
        for id_ in self._desk.beside(reading.n, reading.body):
            row = self._desk.service.entry(id_)
            if row is not None and row.subject == "test_voltage" and row.n < reading.n:
                self._test_voltage(Seen.of(row))

    def _decide(self, test: _Test, timed: TimedWatch, reading: Seen) -> None:
        if test.series and test.volts:
            # The voltage that it rises to is the test voltage, whatever was set.
            nominal = max(abs(volts) for _, volts in test.volts)
            test.reached = voltage_reached(test.volts, nominal) if nominal > 0 else None
        elif not test.series:
            test.reached = 0.0
        else:
            test.reached = min(test.samples)
        current = self._current()
        if current is None or current[0].job != test.job or current[1].step.id != test.step:
            return
        state, step = current
        if test.reached is None:
            self._say(state, step, "the voltage is rising", reading)
            return
        since = test.elapsed - test.reached
        for at, _value, elapsed in timed.feed(since, reading.value):
            near = min(test.samples, key=lambda each: abs(each - test.reached - elapsed))  # type: ignore[operator] # reached is set above
            test.found[at] = test.samples[near]
        missed = timed.missed(since)
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
            if self._take(
                state, step.step, readings, "timed", applied_seconds=max(test.elapsed, 1.0)
            ):
                test.counted = test.elapsed
                test.timed = None

    def _end_test(self, instrument: str) -> None:
        """Write down for how long a test voltage was on, as far as that is not written yet."""
        test = self._tests.pop(instrument)
        if test.elapsed <= test.counted or test.elapsed <= 0:
            return
        for _ in range(3):
            state = self._desk.service.state(test.job)
            if state.status is JobStatus.SIGNED_OFF:
                return
            event = Applied(step=test.step, seconds=test.elapsed)
            try:
                self._desk.act(test.job, event, Who(OPERATOR, new_id()), state.last)
            except StaleError:
                continue
            return


class JobWatcher:
    """The thread that follows the journal for a `JobWatch`.

    path: the journal. make: builds the watch over a reader that belongs to the thread.
    on_change: called after every look, in the thread; must not block.
    """

    def __init__(
        self,
        path: Path,
        make: Callable[[JournalReader], JobWatch],
        clock: Clock,
        on_change: Callable[[], None] = lambda: None,
    ) -> None:
        self._path = path
        self._make = make
        self._clock = clock
        self._on_change = on_change
        self._news = threading.Event()
        self._stop = threading.Event()
        self._watch: JobWatch | None = None
        self._thread = threading.Thread(target=self._run, name="job-watcher")
        self._log = structlog.get_logger()

    @property
    def seen(self) -> Watch:
        """What the watcher sees now."""
        watch = self._watch
        return Watch() if watch is None else watch.seen

    def start(self) -> None:
        """Start the thread. The journal must be there."""
        self._thread.start()

    def wake(self) -> None:
        """Say that there is news in the journal."""
        self._news.set()

    def stop(self, timeout: float) -> bool:
        """End the thread; True when it has ended in time."""
        self._stop.set()
        self._news.set()
        if self._thread.ident is None:
            return True
        self._thread.join(timeout)
        return not self._thread.is_alive()

    def _run(self) -> None:
        reader = JournalReader(self._path)
        try:
            cursor = reader.last_n()
            watch = self._make(reader)
            watch.load()
            self._watch = watch
            while not self._stop.is_set():
                try:
                    cursor = self._follow(reader, watch, cursor)
                except JournalError as error:
                    self._log.warning("watcher.journal", reason=str(error))
                self._clock.wait(self._news, _POLL)
                self._news.clear()
        finally:
            reader.close()

    def _follow(self, reader: JournalReader, watch: JobWatch, cursor: int) -> int:
        while rows := reader.after(cursor, _PAGE):
            for row in rows:
                if self._stop.is_set():
                    return cursor
                try:
                    watch.row(row)
                except JournalError:
                    raise
                except CaptureError as error:
                    self._log.warning("watcher.entry", n=row.n, reason=str(error))
                except Exception:  # noqa: BLE001 - one odd entry must not end hands-free capture
                    self._log.exception("watcher.failed", n=row.n)
                cursor = row.n
            self._on_change()
        watch.tick()
        return cursor
