"""One worker: takes a slot, listens, stores, acknowledges; begins anew after any failure.

A slot is a place in the group that shares the stream: a client id with a session that the broker
keeps. A lock in the database says who serves it, so that any process may take over a slot that is
free and two never fight for one. After a failure everything is begun anew: what was not
acknowledged comes again, and what was stored already is known by its id.
"""

import random
import threading
from typing import Any

import psycopg
import structlog

from capture.clock import Clock
from capture.errors import CaptureError, HistorianError, PublishError
from capture.historian.gaps import look_for_gaps
from capture.historian.listener import Listener
from capture.historian.migrate import require
from capture.historian.reuse import Numbers
from capture.historian.settings import HistorianConfig
from capture.historian.store import Database
from capture.historian.storing import Storing
from capture.historian.vitals import Vitals
from capture.publish.secrets import make_context, read_secret
from capture.publish.settings import TlsSettings

_FIRST_DELAY, _LONGEST_DELAY, _JITTER = 0.25, 15.0, 0.2
_STAND_BY = 0.5  # seconds between looks for a slot that has become free
_LINGER = 0.02  # seconds without a message after which a batch that is not full is stored
_LONGEST_HOLD = 0.1  # seconds after which it is stored though messages still come
_IDLE = 0.25
_BUSY = 0.002  # seconds between looks at a batch that is being stored
_ANSWER = 5.0  # seconds for CONNACK and SUBACK
SLOT_LOCKS = 0x62656E66  # first half of a slot's lock; the second is the slot
_TELL_EVERY = 10.0
_SOON = 1.0  # seconds between looks for gaps while benches answer: they take two requests a second
_LOOK_SHARE = 10  # times that a look took, until the next one that comes soon


class Worker:
    """Serves one slot after the other until told to stop. One thread."""

    def __init__(self, config: HistorianConfig, clock: Clock, slot: int | None = None) -> None:
        """Take a slot to serve, or none for any that is free."""
        self._config = config
        self._clock = clock
        self._slots = range(config.slots) if slot is None else (slot,)
        self._stop = threading.Event()
        self._log = structlog.get_logger()
        self._numbers = Numbers()  # what one connection could not look up any more, the next does
        self.slot: int | None = None
        """The slot that is served now."""
        self.listening = False
        self.committed = 0
        """Messages that were stored and acknowledged, known ones and those in quarantine, too."""
        self.stored = self.known = self.quarantined = 0
        self.vitals = Vitals(clock)
        """How it is, for whoever asks from another thread."""

    def stop(self) -> None:
        """Ask it to end: what it holds is stored first."""
        self._stop.set()

    def run(self) -> None:
        """Serve until told to stop.

        Raises:
            HistorianError: the database was made by another version, or needs migrating.
        """
        delay = _FIRST_DELAY
        while not self._stop.is_set():
            self._served = False
            try:
                self._serve_once()
            except HistorianError as error:
                if self._is_final:
                    raise
                self._log.warning("historian.away", reason=str(error))
            except CaptureError as error:
                self._log.warning("historian.away", reason=str(error))
            finally:
                self.slot = None
            # One that had listened begins at once; one that cannot even do that takes its time.
            if not self._stop.is_set():
                self.vitals.is_away()
            delay = _FIRST_DELAY if self._served else min(delay * 2, _LONGEST_DELAY)
            spread = random.uniform(1 - _JITTER, 1 + _JITTER)  # noqa: S311 - spreads reconnections
            self._clock.wait(self._stop, delay * spread)

    # ── one try ──────────────────────────────────────────────────────────────────────────────

    _is_final = False
    _served = False

    def _serve_once(self) -> None:
        """Serve a slot until something fails."""
        config = self._config
        password = self._secret(config.database)
        database = Database(config.database.conninfo, password, self._numbers.add)
        try:
            self._is_final = True
            require(database.connection)
            self._is_final = False
            database.prepare()
            slot = self._take_slot(database)
            if slot is not None:
                self.slot = slot
                self._listen(database, slot)
        except psycopg.Error as error:
            self._is_final = False
            text = str(error).strip().splitlines()
            raise HistorianError(f"database: {text[0] if text else error!r}") from error
        finally:
            self._count(database)
            database.close()

    def _take_slot(self, database: Database) -> int | None:
        """Take a slot that nobody serves; waits for one, None where a stop was asked for."""
        said = False
        while not self._stop.is_set():
            self.vitals.turned("standing-by")
            for slot in self._slots:
                arguments = (SLOT_LOCKS, lock_of(self._config.group, slot))
                if database.fetch("SELECT pg_try_advisory_lock(%s, %s)", arguments)[0][0]:
                    return slot
            if not said:
                said = True
                self._log.info("historian.stands_by", slots=len(self._slots))
            self._clock.wait(self._stop, _STAND_BY)
        return None

    def _listen(self, database: Database, slot: int) -> None:
        config = self._config
        broker = config.broker
        tls = TlsSettings.of(broker.tls, config.whole)
        listener = Listener(
            broker,
            config.client_id(slot),
            config.group,
            min(65535, 2 * config.database.batch),
            self._secret(broker),
            None if tls is None else make_context(tls),
            hears_states=slot == 0,
        )
        polite = False
        try:
            listener.begin()
            self._await_subscription(listener)
            self._log.info("historian.listens", slot=slot, session_present=listener.session_present)
            if listener.deaf:
                self._log.warning("historian.not_told", reason=listener.deaf)
            self.listening = self._served = True
            self._serve(database, listener)
            polite = True
        finally:
            self.listening = False
            listener.end(politely=polite)

    def _await_subscription(self, listener: Listener) -> None:
        end = self._clock.monotonic() + _ANSWER
        while not listener.subscribed and listener.over is None:
            if self._clock.monotonic() >= end:
                raise PublishError("the broker does not answer")
            listener.turn(_IDLE)
        if listener.over is not None:
            raise PublishError(listener.over)

    def _serve(self, database: Database, listener: Listener) -> None:
        """Listen and store until told to stop; the database works while messages come in."""
        config, clock = self._config, self._clock
        held = listener.received
        gaps_at = told_at = held_since = clock.monotonic()
        look_took = 0.0
        tell = self._log.warning
        storing = Storing(database, clock, tell, config.bounds, self._numbers)
        try:
            while not self._stop.is_set():
                self.vitals.turned("listening")
                self.vitals.of_connection(
                    self.slot, self._counts(database), storing, listener.dropped, deaf=listener.deaf
                )
                if not held:
                    held_since = clock.monotonic()
                came = listener.turn(_BUSY if storing.busy else _LINGER if held else _IDLE)
                self._acknowledge(listener, storing)
                if (
                    held
                    and not storing.busy
                    and (
                        len(held) >= config.database.batch
                        or not came
                        or clock.monotonic() - held_since >= _LONGEST_HOLD
                    )
                ):
                    held_since = clock.monotonic()
                    storing.begin(listener.take(config.database.batch))
                if listener.over is not None:
                    raise PublishError(listener.over)
                now = clock.monotonic()
                regular = now - gaps_at >= config.gaps.every_s
                soon = storing.soon and now - gaps_at >= max(_SOON, _LOOK_SHARE * look_took)
                if (regular or soon) and not storing.busy:
                    storing.soon = False
                    storing.look_up()
                    look_for_gaps(
                        database,
                        config.gaps,
                        listener.ask_again,
                        soon=not regular,
                        bounds=config.bounds,
                        tell=tell,
                    )
                    gaps_at = clock.monotonic()
                    look_took = gaps_at - now
                if now - told_at >= _TELL_EVERY:
                    told_at = now
                    self._log.info(
                        "historian.stored", **self._counts(database), dropped=listener.dropped
                    )
            # What was taken from the broker is stored; what it still has waits for the next one.
            while storing.busy or held:
                if not storing.busy:
                    storing.begin(listener.take(len(held)))
                storing.wait()
                self._acknowledge(listener, storing)
        finally:
            storing.end()
        listener.turn(0)  # so that the acknowledgements leave
        storing.look_up()

    def _acknowledge(self, listener: Listener, storing: Storing) -> None:
        """Acknowledge a batch that is stored; what is not stored stays with the broker."""
        if done := storing.stored():
            listener.acknowledge(done)
            self.committed += len(done)

    # ── parts ────────────────────────────────────────────────────────────────────────────────

    def _secret(self, source: Any) -> str:
        if source.password_file is not None:
            path = self._config.whole(source.password_file)
            assert path is not None
            return read_secret(path)
        return str(source.password)

    def _counts(self, database: Database) -> dict[str, int]:
        return {
            "stored": self.stored + database.stored,
            "known": self.known + database.known,
            "quarantined": self.quarantined + database.quarantined,
        }

    def _count(self, database: Database) -> None:
        self.stored += database.stored
        self.known += database.known
        self.quarantined += database.quarantined


def lock_of(group: str, slot: int) -> int:
    """Give a slot's number among locks: 31 bits made of the group's name and the slot."""
    value = 0
    for byte in f"{group}/{slot}".encode():
        value = (value * 257 + byte) % 0x7FFF_FFFF
    return value
