"""The pump: connects to the broker, delivers, and connects again, until told to stop."""

import random
from collections.abc import Callable

import structlog

from capture.clock import Clock
from capture.errors import CaptureError
from capture.filelock import FileLock
from capture.journal import JournalReader
from capture.publish.connection import Connection, Version
from capture.publish.cursor import Cursor
from capture.publish.delivery import Context, Delivery
from capture.publish.feed import Feed
from capture.publish.report import Report, Reporter
from capture.publish.settings import PublisherSettings
from capture.publish.topics import Topics, bench_state

_WAIT = 0.2
_FIRST_DELAY = 0.25
_LONGEST_DELAY = 15.0
_JITTER = 0.2


class Pump:
    """Delivers one journal to one broker. One thread; `run` returns when the feed has ended."""

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
        self._log = structlog.get_logger().bind(client_id=settings.client_id)
        self._version: Version = "3.1.1" if settings.version == "3.1.1" else "5"
        self._delay = _FIRST_DELAY

    def run(self) -> None:
        """Deliver until the feed ends; then what can be delivered in `drain_s`, and a goodbye.

        Raises:
            JournalError: the journal cannot be opened.
        """
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
        settings = self._settings
        reader = JournalReader(settings.journal)
        cursor = Cursor(settings.cursor, reader.journal_id)
        cursor.delivered = min(cursor.delivered, reader.last_n())
        context = Context(
            Topics(settings.site, settings.bench),
            settings.window,
            reader,
            cursor,
            self._feed,
            self._reporter,
            self._clock,
        )
        try:
            while not self._feed.ended or (reader.last_n() > cursor.delivered):
                self._connect_and_deliver(context)
                if self._feed.ended:
                    return  # tried once more after the stop; the rest is for the next start
        finally:
            cursor.save(sync=True)
            self._reporter.update(connected=False, delivered=cursor.delivered)
            reader.close()

    def _connect_and_deliver(self, context: Context) -> None:
        settings = self._settings
        connection = Connection(
            host=settings.host,
            port=settings.port,
            version=self._version,
            client_id=settings.client_id,
            keepalive_s=settings.keepalive_s,
            will_topic=context.topics.state,
            will=bench_state("offline", self._clock.utc(), context.reader.journal_id),
            username=settings.username,
            password=settings.password,
        )
        reason = ""
        all_said = False
        try:
            connection.begin()
            all_said = Delivery(context, connection).run()
        except CaptureError as error:
            reason = str(error)
        finally:
            connection.end(politely=all_said)
            context.cursor.save(sync=False)
        if not self._fell_back(connection) and not self._feed.ended:
            backlog = context.reader.last_n() - context.cursor.delivered
            self._reporter.update(connected=False, reason=reason, backlog=backlog)
            self._back_off(connection)

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

    def _back_off(self, connection: Connection) -> None:
        if connection.accepted:
            self._delay = _FIRST_DELAY
        spread = random.uniform(1 - _JITTER, 1 + _JITTER)  # noqa: S311 - spreads reconnections
        until = self._clock.monotonic() + self._delay * spread
        self._delay = min(self._delay * 2, _LONGEST_DELAY)
        while not self._feed.ended and (left := until - self._clock.monotonic()) > 0:
            self._feed.wait(min(left, _WAIT))
