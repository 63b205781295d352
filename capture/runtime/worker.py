"""The worker: one thread that keeps one instrument captured, through every loss and return.

It alone opens, reads, writes and closes its link. Others only ask it to stop, wake it when its port
is back, and look at its snapshot.

    idle ─▶ opening ─▶ running ⇄ waiting ─▶ stopped | failed
                ▲                   │
                └───────────────────┘   the port came back

The file is long because all of it is one thread's life, with one state that every part changes.
"""

import random
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from typing import Any, Protocol, runtime_checkable

import structlog

from capture.clock import Clock
from capture.driver import (
    Driver,
    Event,
    Identified,
    InstrumentFault,
    Malformed,
    NoAnswer,
    PowerCycled,
    Profile,
)
from capture.errors import CaptureError, DriverError, JournalError, LinkError, PolicyError
from capture.heartbeat import Heartbeat
from capture.links import Interruptible, Link
from capture.model import Gap, new_id
from capture.model.written import WrittenDraft
from capture.runtime.drafting import Drafter, Provenance
from capture.runtime.policy import MessagePolicy
from capture.runtime.session import LONGEST_WAIT, Captured, Session

_FIRST_DELAY = 0.25
_LONGEST_DELAY = 2.0
_JITTER = 0.2
_STALL_RETRY = 0.5
# Seconds that a read may wait where it can be ended for a stop: every turn of a bench that says
# nothing is a waste.
_QUIET_WAIT = 1.0
# Seconds for one turn: a converter far away may take 3 s to connect and 30 s to agree to a setting.
_LONGEST_TURN = 90.0
_STEADY = 1.0  # a session that ran this long, or gave a reading, was no failed attempt at opening
_MALFORMED_HINT = "if this goes on, check baud rate, parity, driver and profile"
_NO_ANSWER_HINT = "check that it is on, cable, baud rate, and that remote control is enabled"
_REPORT_EVERY = 10.0  # seconds between two log lines of the same complaint


class State(StrEnum):
    """What a worker is doing."""

    IDLE = "idle"
    OPENING = "opening"
    RUNNING = "running"
    WAITING = "waiting"
    STOPPED = "stopped"
    FAILED = "failed"


#: Which states may follow which.
NEXT: dict[State, frozenset[State]] = {
    State.IDLE: frozenset({State.OPENING, State.STOPPED}),
    State.OPENING: frozenset({State.RUNNING, State.WAITING, State.STOPPED, State.FAILED}),
    State.RUNNING: frozenset({State.WAITING, State.STOPPED, State.FAILED}),
    State.WAITING: frozenset({State.OPENING, State.RUNNING, State.STOPPED, State.FAILED}),
    State.STOPPED: frozenset(),
    State.FAILED: frozenset(),
}


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What can be said of an instrument at one moment.

    Attributes:
        state, reason: what its worker does, and why where that needs a reason.
        since: UTC of the last change of state.
        link: byte path in use.
        identity: what the instrument says it is; empty where it does not.
        readings: stored since the daemon started.
        malformed, unanswered: frames that were no frame, queries without an answer.
        last_reading: UTC of the newest stored reading.
    """

    instrument: str
    state: State
    reason: str
    since: datetime
    link: str
    identity: str = ""
    readings: int = 0
    malformed: int = 0
    unanswered: int = 0
    last_reading: datetime | None = None


class Store(Protocol):
    """What a worker asks of the journal."""

    def append(self, entries: Sequence[WrittenDraft | Gap]) -> object:
        """Store all of ``entries`` or none; return after the commit.

        Raises:
            JournalError: nothing was stored.
        """
        ...


@runtime_checkable
class EagerStore(Store, Protocol):
    """A store that commits one batch while the worker already reads the next."""

    def begin(self, entries: Sequence[WrittenDraft | Gap]) -> "Future[Any]":
        """Hand ``entries`` over; the answer comes after the commit, or with a JournalError."""
        ...


@dataclass(frozen=True, slots=True)
class Instrument:
    """Everything that a worker needs to know of its instrument."""

    id: str
    site: str
    bench: str
    driver_id: str
    driver_version: str
    profile: Profile | None
    make_driver: Callable[[], Driver]
    make_link: Callable[[], Link]
    policy: MessagePolicy
    identity: str = ""
    """Text that must be in what the instrument says it is; empty where anything will do."""


class Worker:
    """Keeps one instrument captured until it is told to stop."""

    def __init__(
        self,
        instrument: Instrument,
        store: Store,
        clock: Clock,
        on_change: Callable[[Snapshot], None],
    ) -> None:
        self._instrument = instrument
        self._store = store
        self._begin = store.begin if isinstance(store, EagerStore) else self._begin_at_once
        self._committing: tuple[Sequence[WrittenDraft], Future[Any]] | None = None
        self._identity = ""  # what was said in this session
        self._link: Link | None = None  # of this session
        self._driver: Driver | None = None  # of this session, or of the one before
        self._clock = clock
        self._on_change = on_change
        self._stop = threading.Event()
        self._wake = threading.Event()  # ends a wait between two attempts at opening
        self._thread = threading.Thread(target=self._run, name=f"worker:{instrument.id}")
        self._log = structlog.get_logger().bind(instrument=instrument.id)
        self._reported: dict[str, tuple[float, int]] = {}
        #: Says whether the thread comes round.
        self.heartbeat = Heartbeat(clock, _LONGEST_TURN)
        self._snapshot = Snapshot(instrument.id, State.IDLE, "", clock.utc(), "")

    @property
    def snapshot(self) -> Snapshot:
        """The newest snapshot; may be asked for from any thread."""
        return self._snapshot

    def start(self) -> None:
        """Start the thread."""
        self.heartbeat.beat()
        self._thread.start()

    @property
    def lost(self) -> bool:
        """Whether the thread has ended without saying so: nobody captures, and nobody told."""
        ended = self._thread.ident is not None and not self._thread.is_alive()
        return ended and self._snapshot.state not in (State.STOPPED, State.FAILED)

    def ask_to_stop(self) -> None:
        """Ask the thread to end; it stores what it holds first."""
        self._stop.set()
        self._wake.set()
        link: object = self._link
        if isinstance(link, Interruptible):
            link.interrupt()

    def wake(self) -> None:
        """Say that the instrument's port is back, so that a wait for it ends now."""
        self._wake.set()

    def join(self, timeout: float) -> bool:
        """Wait for the thread to end; True when it has."""
        self._thread.join(timeout)
        return not self._thread.is_alive()

    # ── the thread ───────────────────────────────────────────────────────────────────────────

    def _run(self) -> None:
        delay = _FIRST_DELAY
        try:
            while not self._stop.is_set():
                self.heartbeat.beat()
                began, stored = self._clock.monotonic(), self._snapshot.readings
                try:
                    self._capture()
                except LinkError as error:
                    lasted = self._clock.monotonic() - began
                    if lasted >= _STEADY or self._snapshot.readings > stored:
                        delay = _FIRST_DELAY
                    self._change(State.WAITING, str(error))
                    jitter = 1 + random.uniform(-_JITTER, _JITTER)  # noqa: S311 - spreads retries
                    woken = self._clock.wait(self._wake, delay * jitter)
                    self._wake.clear()
                    delay = _FIRST_DELAY if woken else min(delay * 2, _LONGEST_DELAY)
            self._change(State.STOPPED, "")
        except (DriverError, PolicyError) as error:
            self._change(State.FAILED, str(error))
        except Exception as error:  # noqa: BLE001 - one instrument's failure stays its own
            self._log.exception("worker.crashed")
            self._change(State.FAILED, f"internal error ({type(error).__name__}: {error}); see log")
        finally:
            self.heartbeat.rest()

    def _capture(self) -> None:
        """Open the link and run one session on it until it is lost or a stop is asked for."""
        instrument = self._instrument
        link = self._link = instrument.make_link()
        self._change(State.OPENING, "", link=link.description)
        self._identity = ""
        try:
            link.open()
            driver = self._make_driver()
            session = Session(
                driver, link, instrument.policy, self._clock, self._stop, self._on_event
            )
            drafter = Drafter(
                Provenance(
                    instrument.site,
                    instrument.bench,
                    instrument.id,
                    instrument.driver_id,
                    instrument.driver_version,
                    instrument.profile,
                    link.description,
                    session.id,
                )
            )
            self._change(State.RUNNING, "", link=link.description)
            patience = _QUIET_WAIT if isinstance(link, Interruptible) else LONGEST_WAIT
            while not self._stop.is_set():
                self.heartbeat.beat()
                # What is being committed is answered for soon.
                longest = patience if self._committing is None else LONGEST_WAIT
                captured = session.step(longest)
                if self._is_believed():
                    if self._snapshot.reason and self._snapshot.reason == self._unheard:
                        self._change(State.RUNNING, "")
                    self._keep(drafter, captured)
                elif captured:
                    # It talks, and nothing of it is taken: a person would wait for ever.
                    self._change(State.RUNNING, self._unheard)
            session.close()
        finally:
            self._settle()
            link.close()

    @property
    def _unheard(self) -> str:
        """Say why nothing is taken of an instrument that shows values and not what it is."""
        return (
            f"sends values, and has not said that it is {self._instrument.identity!r}: no reading "
            "of it is taken. Its driver must ask *IDN?, or its profile know its banner; else take "
            "identity out"
        )

    def _is_believed(self) -> bool:
        """Tell whether the instrument is the one it must be; before it says so, it is not.

        Raises:
            LinkError: it says that it is another one.
        """
        wanted = self._instrument.identity
        if not wanted or (self._identity and wanted in self._identity):
            return True
        if self._identity:
            raise LinkError(
                f"says it is {self._identity[:200]!r}, which has no {wanted!r} in it; no reading "
                "of it is taken. Connect the right instrument, or correct identity"
            )
        return False

    def _make_driver(self) -> Driver:
        try:
            driver = self._instrument.make_driver()
            if self._driver is not None:
                driver.resume(self._driver)
        except CaptureError as error:
            raise DriverError(str(error)) from error
        except Exception as error:
            raise DriverError(
                f"driver {self._instrument.driver_id} cannot be made "
                f"({type(error).__name__}: {error})"
            ) from error
        self._driver = driver
        return driver

    def _keep(self, drafter: Drafter, captured: list[Captured]) -> None:
        batch: list[WrittenDraft] = []
        try:
            for each in captured:
                batch.append(drafter.write(each))  # noqa: PERF401 - what came before a fault is kept
        finally:
            if batch:
                self._hand_over(batch)
        if self._committing is not None and self._committing[1].done():
            self._settle()

    def _hand_over(self, batch: Sequence[WrittenDraft]) -> None:
        """Have a batch committed, after the one before it: one is outstanding at most."""
        before = self._committing
        if before is not None and before[1].done() and before[1].exception() is None:
            # It is stored: what is left to do about it can wait until this one is on its way.
            self._committing = batch, self._begin(batch)
            self._count(before[0])
            return
        self._settle()
        self._committing = batch, self._begin(batch)

    def _begin_at_once(self, batch: Sequence[WrittenDraft | Gap]) -> "Future[Any]":
        """Store with a store that knows no other way, and give an answer that is there already."""
        answer: Future[Any] = Future()
        try:
            answer.set_result(self._store.append(batch))
        except JournalError as error:
            answer.set_exception(error)
        return answer

    def _settle(self) -> None:
        """Wait for the batch that is being committed; one is outstanding at most.

        Where it could not be stored it is stored now, before anything that came after it.
        """
        if self._committing is None:
            return
        (batch, answer), self._committing = self._committing, None
        try:
            answer.result()
            stored = True
        except JournalError as error:
            stored = self._append(batch, failed=error)
        if stored:
            self._count(batch)

    def _count(self, batch: Sequence[WrittenDraft]) -> None:
        snapshot = self._snapshot
        self._snapshot = replace(
            snapshot, readings=snapshot.readings + len(batch), last_reading=batch[-1].time
        )

    def _append(
        self, batch: Sequence[WrittenDraft | Gap], *, failed: JournalError | None = None
    ) -> bool:
        """Store a batch, which may have failed once; hold it while the journal cannot take it.

        Nothing more is read meanwhile. What the instrument says may run over in the port's buffer,
        so a stall leaves a gap entry. False when a stop came before the batch could be stored.
        """
        error = failed or self._try(batch)
        if error is None:
            return True
        stalled_at = self._clock.utc()
        while error is not None:
            self.heartbeat.beat()
            self._change(State.WAITING, f"the journal takes no readings: {error}")
            if self._stop.is_set():
                self._log.error("worker.readings_not_stored", count=len(batch), why=str(error))
                return False
            self._clock.wait(self._stop, _STALL_RETRY)
            error = self._try(batch)
        self._change(State.RUNNING, "")
        gap = Gap(
            id=new_id(),
            site=self._instrument.site,
            bench=self._instrument.bench,
            instrument=self._instrument.id,
            begin=stalled_at,
            end=self._clock.utc(),
            reason="the journal took no readings; the port may have overrun",
        )
        return self._append([gap])

    def _try(self, batch: Sequence[WrittenDraft | Gap]) -> JournalError | None:
        try:
            self._store.append(batch)
        except JournalError as error:
            return error
        return None

    # ── what is told ─────────────────────────────────────────────────────────────────────────

    def _on_event(self, event: Event) -> None:
        snapshot = self._snapshot
        match event:
            case Identified(maker, model, serial, firmware):
                identity = ", ".join(part for part in (maker, model, serial, firmware) if part)
                self._identity = identity
                self._snapshot = replace(snapshot, identity=identity[:200])
                self._log.info("instrument.identified", identity=identity[:200])
                self._on_change(self._snapshot)
            case Malformed(raw, reason):
                self._snapshot = replace(snapshot, malformed=snapshot.malformed + 1)
                self._complain(
                    "instrument.malformed", reason=reason, raw=repr(raw[:120]), hint=_MALFORMED_HINT
                )
            case NoAnswer(query, waited):
                self._snapshot = replace(snapshot, unanswered=snapshot.unanswered + 1)
                self._complain(
                    "instrument.no_answer",
                    query=repr(query[:80]),
                    waited_s=round(waited, 3),
                    hint=_NO_ANSWER_HINT,
                )
            case InstrumentFault(code, text):
                self._complain("instrument.fault", code=code, text=text[:200])
            case PowerCycled():
                self._log.warning("instrument.power_cycled")
            case _:
                self._complain("driver.unknown_event", got=type(event).__name__)

    def _complain(self, what: str, **details: object) -> None:
        """Log a complaint, but the same kind once per interval only, with a count of the rest."""
        now = self._clock.monotonic()
        last, held_back = self._reported.get(what, (float("-inf"), 0))
        if now - last < _REPORT_EVERY:
            self._reported[what] = (last, held_back + 1)
            return
        self._reported[what] = (now, 0)
        if held_back:
            details["and_before"] = held_back
        self._log.warning(what, **details)

    def _change(self, state: State, reason: str, *, link: str | None = None) -> None:
        old = self._snapshot
        if state is old.state and reason == old.reason:
            return
        if state is not old.state and state not in NEXT[old.state]:
            raise AssertionError(f"a worker cannot go from {old.state} to {state}")
        self._snapshot = replace(
            old,
            state=state,
            reason=reason,
            since=self._clock.utc(),
            link=old.link if link is None else link,
        )
        well = not reason and state not in (State.WAITING, State.FAILED)
        log = self._log.info if well else self._log.warning
        log("instrument.state", state=str(state), reason=reason, link=self._snapshot.link)
        self._on_change(self._snapshot)
