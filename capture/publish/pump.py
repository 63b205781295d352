"""The pump: connects to the broker, delivers, and connects again, until told to stop."""

import random
from collections.abc import Callable
from typing import Protocol

import structlog

from capture.clock import Clock
from capture.errors import CaptureError, JournalDamaged
from capture.filelock import FileLock
from capture.journal import JournalReader
from capture.publish.cloudevents import CloudEvents
from capture.publish.connection import Connection, Version
from capture.publish.context import Context
from capture.publish.cursor import Cursor
from capture.publish.delivery import Delivery, Outcome
from capture.publish.feed import Feed
from capture.publish.letterbox import Letterbox
from capture.publish.letters import open_letters
from capture.publish.pace import Pace
from capture.publish.pause import Pause
from capture.publish.report import Report, Reporter
from capture.publish.resend import Resender
from capture.publish.secrets import Credentials
from capture.publish.settings import PublisherSettings
from capture.publish.suspects import Suspects
from capture.publish.topics import Topics, bench_state

_WAIT = 0.2
_FIRST_DELAY = 0.25
_LONGEST_DELAY = 15.0
_JITTER = 0.2


class Delivering(Protocol):
    """Delivers over one connection."""

    @property
    def was_refused(self) -> bool:
        """Whether the connection was given up over a refused message."""
        ...

    @property
    def leaves_with_will(self) -> bool:
        """Whether the broker is to publish the will, though we leave politely."""
        ...

    def run(self) -> Outcome:
        """Deliver until a stop was asked for, or the connection is to be renewed."""
        ...


class Pump:
    """Delivers one journal to one broker. One thread; `run` returns when the feed has ended."""

    _retains_will = True

    def __init__(
        self,
        settings: PublisherSettings,
        feed: int,
        clock: Clock,
        on_report: Callable[[Report], None],
    ) -> None:
        """Take the settings, the feed's file descriptor, and where reports go."""
        self._settings = settings
        self._clock = clock
        self._feed = Feed(feed, clock, settings.drain_s)
        self._reporter = Reporter(clock, on_report)
        self._credentials = Credentials(settings)
        self._log = structlog.get_logger()
        self._version: Version = "3.1.1" if settings.version == "3.1.1" else "5"
        self._delay = _FIRST_DELAY

    def run(self) -> None:
        """Deliver until the feed ends; then what can be delivered in `drain_s`, and a goodbye.

        Raises:
            JournalError: the journal cannot be opened.
        """
        with structlog.contextvars.bound_contextvars(publisher=self._settings.name):
            self._run()

    def _run(self) -> None:
        lock = FileLock(self._settings.cursor.with_name(self._settings.cursor.name + ".lock"))
        try:
            while not lock.try_take():
                self._reporter.update(
                    reason=f"{lock.holder()} still delivers this journal; if it hangs, end it"
                )
                if self._feed.ended:
                    return
                self._feed.wait(_WAIT)
            self._with_journal()
        finally:
            lock.release()

    def _with_journal(self) -> None:
        settings, clock = self._settings, self._clock
        reader = JournalReader(settings.journal)
        cursor = Cursor(settings.cursor, reader.journal_id)
        cursor.delivered = min(cursor.delivered, reader.last_n())
        letters, unknown = open_letters(settings.letters, reader.journal_id)
        if unknown:
            cursor.delivered = 0
        context = Context(
            topics=Topics(settings.site, settings.bench),
            window=settings.window,
            reader=reader,
            cursor=cursor,
            letterbox=Letterbox(letters, settings.dead_letters, clock),
            feed=self._feed,
            reporter=self._reporter,
            clock=clock,
            pace=Pace(settings.max_rate, clock.monotonic()),
            pause=Pause(settings.retry_s),
            suspects=Suspects(),
            resender=Resender(reader, clock.monotonic()),
            credentials=self._credentials,
            events=CloudEvents(settings.site, settings.bench) if settings.cloudevents else None,
            log=self._log,
        )
        self._reporter.update(dead_letters=len(context.letterbox.numbers))
        try:
            while not self._feed.ended or (reader.last_n() > cursor.delivered):
                self._connect_and_deliver(context)
                if self._feed.ended:
                    return  # tried once more after the stop; the rest is for the next start
        finally:
            cursor.save(sync=True)
            self._reporter.update(connected=False, delivered=cursor.delivered)
            reader.close()
            context.letterbox.close()

    def _connect_and_deliver(self, context: Context) -> None:
        reason = ""
        outcome, connection, refused, with_will = None, None, False, False
        try:
            connection = self._make_connection(context)
            connection.begin()
            delivery = self._make_delivery(context, connection)
            try:
                outcome = delivery.run()
            finally:
                refused, with_will = delivery.was_refused, delivery.leaves_with_will
        except CaptureError as error:
            reason = str(error)
            if isinstance(error, JournalDamaged):
                self._reporter.update(journal_damaged=error.found)
        finally:
            if connection is not None:
                politely = outcome in (Outcome.GOODBYE, Outcome.RENEW)
                connection.end(politely=politely, with_will=with_will)
            context.cursor.save(sync=False)
        if outcome is Outcome.RENEW or self._feed.ended:
            return
        if connection is not None and self._fell_back(connection):
            return
        backlog = context.reader.last_n() - context.cursor.delivered
        self._reporter.update(connected=False, reason=reason, backlog=backlog)
        worked = connection is not None and connection.accepted and not refused
        self._back_off(worked=worked)

    def _make_delivery(self, context: Context, connection: Connection) -> Delivering:
        return Delivery(context, connection)

    def _make_will(self, context: Context) -> tuple[str, bytes]:
        """Give topic and payload of what the broker says when we are lost."""
        will = bench_state("offline", self._clock.utc(), context.reader.journal_id)
        return context.topics.state, will

    def _make_connection(self, context: Context) -> Connection:
        settings = self._settings
        secrets = self._credentials.read()
        will_topic, will = self._make_will(context)
        return Connection(
            host=settings.host,
            port=settings.port,
            version=self._version,
            client_id=settings.client_id,
            keepalive_s=settings.keepalive_s,
            will_topic=will_topic,
            will=will,
            retains_will=self._retains_will,
            username=settings.username,
            password=secrets.password,
            tls=secrets.context,
        )

    def _fell_back(self, connection: Connection) -> bool:
        """Choose the version for the next attempt; True where it is worth trying at once."""
        if self._settings.version != "auto" or connection.accepted:
            return False
        if connection.version_refused and self._version == "5":
            self._version = "3.1.1"
            self._log.info("broker.version_fallback", version="3.1.1")
            return True
        self._version = "5"
        return False

    def _back_off(self, *, worked: bool) -> None:
        if worked:
            self._delay = _FIRST_DELAY
        spread = random.uniform(1 - _JITTER, 1 + _JITTER)  # noqa: S311 - spreads reconnections
        until = self._clock.monotonic() + self._delay * spread
        self._delay = min(self._delay * 2, _LONGEST_DELAY)
        while not self._feed.ended and (left := until - self._clock.monotonic()) > 0:
            self._feed.wait(min(left, _WAIT))
