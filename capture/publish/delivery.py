"""Delivery over one connection: from CONNECT until it is over.

One loop: fill the window from the journal, wait for the socket or the daemon, take what came. The
cursor moves over acknowledged entries without a hole, so after a loss everything from the first
unacknowledged entry on is sent again on the next connection, same ids, same order.
"""

import select
from collections import deque
from dataclasses import dataclass

from capture.clock import Clock
from capture.errors import PublishError
from capture.journal import JournalReader, Row
from capture.publish.connection import Connection
from capture.publish.cursor import Cursor
from capture.publish.feed import Feed
from capture.publish.flight import Flight
from capture.publish.report import Reporter
from capture.publish.topics import Topics, bench_state

_PAGE = 200
_LOOK_EVERY = 0.2  # entries that other processes appended are noticed within this
_SAVE_EVERY = 0.1
_SYNC_EVERY = 5.0
_MISC_EVERY = 0.5
_HEAD_EVERY = 30.0  # the journal's head, for whoever keeps it, is told anew no more often
_NO_ANSWER = 4.0  # seconds for CONNACK; past that MQTT lets a client close the connection
_NO_PROGRESS = 30.0  # a connection that acknowledges nothing for so long is taken for dead


@dataclass(frozen=True, slots=True)
class Context:
    """What outlives a connection."""

    topics: Topics
    window: int
    reader: JournalReader
    cursor: Cursor
    feed: Feed
    reporter: Reporter
    clock: Clock


class Delivery:
    """Delivers over one connection."""

    def __init__(self, context: Context, connection: Connection) -> None:
        self._is = context
        self._connection = connection
        self._flight = Flight()
        self._readings: set[int] = set()  # message numbers of readings, for "nobody listens"
        self._page: deque[Row] = deque()
        self._read_up_to = context.cursor.delivered
        self._window = context.window
        self._saying_goodbye = False
        self._head: tuple[int, bytes] | None = None
        now = context.clock.monotonic()
        self._saved_at = self._synced_at = self._misc_at = self._progress_at = now
        self._answer_by = now + _NO_ANSWER
        self._head_at = now
        self._looked_at = float("-inf")

    def run(self) -> bool:
        """Deliver until a stop was asked for; True where all was delivered and the goodbye said.

        Raises:
            PublishError: the connection is over; says why.
            JournalError: the journal cannot be read.
        """
        connection = self._connection
        greeted = False
        while connection.over is None and not self._is.feed.time_is_up:
            if connection.accepted:
                if not greeted:
                    greeted = True
                    self._greet()
                self._fill()
                if self._saying_goodbye and not len(self._flight):
                    return True
            self._wait()
            self._take_acknowledgements()
            self._keep_the_books()
        if connection.over is not None:
            raise PublishError(connection.over)
        return False

    def _greet(self) -> None:
        connection, this = self._connection, self._is
        self._window = min(self._window, connection.receive_maximum)
        self._publish_bench_state("online")
        this.feed.all_states_are_due()
        this.reporter.update(connected=True, reason="", version=connection.version)

    def _publish_bench_state(self, state: str) -> None:
        this = self._is
        self._head = this.reader.head()
        self._head_at = this.clock.monotonic()
        payload = bench_state(state, this.clock.utc(), this.reader.journal_id, self._head)
        mid = self._connection.publish(this.topics.state, payload, retain=True)
        self._flight.sent(mid, None)

    def _fill(self) -> None:
        """Hand over messages while the window has room: states first, then entries in order."""
        flight, feed, topics = self._flight, self._is.feed, self._is.topics
        if not len(flight):
            self._progress_at = self._is.clock.monotonic()
        while len(flight) < self._window and self._connection.over is None:
            if feed.states_due:
                instrument = feed.states_due.popleft()
                topic = topics.instrument_state(instrument)
                mid = self._connection.publish(topic, feed.states[instrument], retain=True)
                flight.sent(mid, None)
            elif self._head_is_due():
                self._publish_bench_state("online")
            elif row := self._next_row():
                self._send(row)
            elif feed.ended and not self._saying_goodbye:
                self._saying_goodbye = True
                self._publish_bench_state("offline")
            else:
                return

    def _head_is_due(self) -> bool:
        """Whether the journal's head has moved and was told long enough ago."""
        now = self._is.clock.monotonic()
        if self._saying_goodbye or now - self._head_at < _HEAD_EVERY:
            return False
        self._head_at = now
        return self._is.reader.head() != self._head

    def _send(self, row: Row) -> None:
        topic = self._is.topics.entry(row.kind, row.instrument, row.subject)
        if topic is None:
            reached = self._flight.passed_over(row.n)
            if reached is not None:
                self._is.cursor.delivered = reached
            return
        mid = self._connection.publish(topic, row.body)
        self._flight.sent(mid, row.n)
        if row.kind == "reading":
            self._readings.add(mid)

    def _next_row(self) -> Row | None:
        if not self._page:
            now = self._is.clock.monotonic()
            if not self._is.feed.look and now - self._looked_at < _LOOK_EVERY:
                return None
            self._is.feed.look = False
            self._looked_at = now
            self._page.extend(self._is.reader.after(self._read_up_to, _PAGE))
            if not self._page:
                return None
            if len(self._page) == _PAGE:
                self._is.feed.look = True  # there may be more
        row = self._page.popleft()
        self._read_up_to = row.n
        return row

    def _wait(self) -> None:
        connection, feed, clock = self._connection, self._is.feed, self._is.clock
        socket = connection.fileno()
        if socket is None:
            raise PublishError(connection.over or "the connection to the broker is gone")
        reads = [each for each in (socket, feed.fileno()) if each is not None]
        writes = [socket] if connection.wants_write() else []
        readable, writable, _ = select.select(reads, writes, [], _LOOK_EVERY)
        if feed.fileno() in readable:
            feed.read()
        now = clock.monotonic()
        misc = now - self._misc_at >= _MISC_EVERY
        if misc or writable or socket in readable:
            if misc:
                self._misc_at = now
            connection.service(readable=socket in readable, writable=bool(writable), misc=misc)

    def _take_acknowledgements(self) -> None:
        connection, this = self._connection, self._is
        while connection.acknowledged:
            acknowledgement = connection.acknowledged.popleft()
            self._progress_at = this.clock.monotonic()
            if acknowledgement.refused is not None:
                this.reporter.update(refused=this.reporter.now.refused + 1)
                raise PublishError(
                    f"the broker refused a message ({acknowledgement.refused}); check its access "
                    "rules and limits; delivery goes on from this message"
                )
            if acknowledgement.mid in self._readings:
                self._readings.discard(acknowledgement.mid)
                if acknowledgement.nobody_listens != this.reporter.now.nobody_listens:
                    this.reporter.update(nobody_listens=acknowledgement.nobody_listens)
            reached = self._flight.acknowledged(acknowledgement.mid)
            if reached is not None:
                this.cursor.delivered = reached

    def _keep_the_books(self) -> None:
        this, now = self._is, self._is.clock.monotonic()
        if not self._connection.accepted and now >= self._answer_by:
            self._connection.not_answered()
            return
        if len(self._flight) and now - self._progress_at > _NO_PROGRESS:
            raise PublishError("the broker acknowledges nothing; connecting anew")
        if now - self._saved_at >= _SAVE_EVERY:
            self._saved_at = now
            sync = now - self._synced_at >= _SYNC_EVERY
            this.cursor.save(sync=sync)
            if sync:
                self._synced_at = now
            backlog = this.reader.last_n() - this.cursor.delivered
            this.reporter.update(delivered=this.cursor.delivered, backlog=backlog)
