"""What is sent next: states first, then entries in order, with what was asked for again between.

Dead letters that a person wants tried again go alone, so that what happens then is theirs.
"""

from math import inf

from capture.journal import Row
from capture.publish.backlog import Backlog
from capture.publish.connection import Connection, UnfitError
from capture.publish.context import Context
from capture.publish.flight import Flight, Kind, Sent
from capture.publish.letters import Letter
from capture.publish.topics import bench_state

_HEAD_EVERY = 30.0  # the journal's head, for whoever keeps it, is told anew no more often


class Sender:
    """Fills the window of one connection."""

    def __init__(self, context: Context, connection: Connection, flight: Flight) -> None:
        self._is = context
        self._connection = connection
        self._flight = flight
        self._backlog = Backlog(
            context.reader, context.feed, context.clock, context.cursor.delivered
        )
        self._rewind = False
        self._again_turn = False
        self._letter: Letter | None = None
        self._head: tuple[int, bytes] | None = None
        self._head_at = context.clock.monotonic()
        self.said_goodbye = False
        self.wait_s = inf
        """How long the pace forbids to send anything; without end where it does not."""

    def greet(self) -> None:
        """Begin: listen to requests, and say that we are there.

        In this order, because `online` tells consumers that they may ask again.
        """
        self._connection.subscribe(self._is.topics.resend)
        self.send_bench_state("online")
        self._is.feed.all_states_are_due()
        self._is.resender.start_over()
        self._is.letterbox.start_over()

    def send_bench_state(self, state: str) -> None:
        """Say how the bench's delivery is."""
        this = self._is
        self._head = this.reader.head()
        self._head_at = this.clock.monotonic()
        payload = bench_state(
            state, this.clock.utc(), this.reader.journal_id, self._head, this.reporter.now
        )
        self._send_state(this.topics.state, payload, retain=True)

    def head_is_due(self, now: float) -> bool:
        """Whether the journal's head has moved and was told long enough ago."""
        if self.said_goodbye or now - self._head_at < _HEAD_EVERY:
            return False
        self._head_at = now
        return self._is.reader.head() != self._head

    def go_back(self) -> None:
        """Send everything after the cursor again, once nothing is in flight any more."""
        self._rewind = True

    def fill(self) -> None:
        """Hand over messages while the window has room and there is something to send."""
        this, flight = self._is, self._flight
        self.wait_s = inf
        if self._rewind and not flight.count(Kind.ENTRY):
            self._rewind = False
            flight.forget_order()
            self._backlog.rewind(this.cursor.delivered)
        if self._only_entries():
            self._send_entries()
        while self._connection.over is None and len(flight) < self._window():
            if this.feed.states_due:
                instrument = this.feed.states_due.popleft()
                state = this.feed.states[instrument]
                self._send_state(this.topics.instrument_state(instrument), state, retain=True)
            elif answer := this.resender.next_answer():
                self._send_state(this.topics.resent, answer, retain=False)
            elif self._send_something():
                if len(flight) == 1:
                    # Nothing else is on its way: a lone message does not wait for a look at what
                    # else there might be.
                    self._connection.send_now()
            else:
                if this.feed.ended and not self._rewind and not self.said_goodbye:
                    self.said_goodbye = True
                    self.send_bench_state("offline")
                return

    def _only_entries(self) -> bool:
        """Tell whether there is nothing to do but to send entries in their order."""
        this = self._is
        return (
            not this.feed.states_due
            and this.resender.idle
            and not self._rewind
            and self._letter is None
            and not this.letterbox.may_be_due
            and not self._flight.count(Kind.LETTER)
            and not this.pause.on
            and not this.pace.limited
        )

    def _send_entries(self) -> None:
        """Fill the window with entries: what `fill` does, without looking at each what else is due.

        Nothing else can become due meanwhile but a pause, by an entry that cannot be sent.
        """
        connection, flight, pause = self._connection, self._flight, self._is.pause
        room = self._window() - len(flight)
        while room > 0 and connection.over is None and not pause.on and self._next():
            room -= 1
            if len(flight) == 1:
                connection.send_now()

    def set_aside(self, row: Row, code: int, reason: str, *, in_turn: bool) -> None:
        """Put an entry on the list of dead letters; with ``in_turn`` the cursor passes it.

        Where the list is full, delivery pauses before this entry instead.
        """
        this = self._is
        box = this.letterbox
        if in_turn and box.full and row.n not in box.numbers:
            self.pause(f"the list of dead letters is full ({len(box.numbers)}); last: {reason}")
            return
        box.hold(row, code, reason)
        this.log.error("outbox.held", id=str(row.id), n=row.n, code=code, reason=reason)
        this.reporter.update(dead_letters=len(box.numbers))
        if in_turn:
            self.passed(row.n)

    def passed(self, n: int) -> None:
        """Take an entry for dealt with: the cursor moves as far as it can."""
        reached = self._flight.done(n)
        if reached is not None:
            self._is.cursor.delivered = reached

    def pause(self, reason: str) -> None:
        """Send nothing more but one message now and then, and say so."""
        this = self._is
        this.pause.begin(reason, this.clock.monotonic())
        this.reporter.update(paused=reason)
        self.go_back()

    # ── one message ──────────────────────────────────────────────────────────────────────────

    def _window(self) -> int:
        this = self._is
        window = min(this.window, self._connection.receive_maximum)
        return 1 if this.suspects.careful(this.cursor.delivered) else window

    def _send_something(self) -> bool:
        """Send a row if there is one that may be sent now; True where it is worth asking again."""
        this, flight = self._is, self._flight
        now = this.clock.monotonic()
        if self._rewind or flight.count(Kind.LETTER):
            return False
        if wait := this.pace.wait(now):
            self.wait_s = min(self.wait_s, wait)
            return False
        self._letter = letter = self._letter or this.letterbox.next_due()
        if letter is not None and not this.feed.ended:
            return not len(flight) and self._send_letter(letter)
        if this.pause.on:
            # One, to see whether it passes; until it did, nothing else is sent.
            return not flight.count(Kind.ENTRY) and this.pause.allows(now) and self._next()
        first, second = (self._again, self._next) if self._again_turn else (self._next, self._again)
        self._again_turn = not self._again_turn
        return first() or second()

    def _send_letter(self, letter: Letter) -> bool:
        self._letter = None
        self._send(Kind.LETTER, letter.row)
        return True

    def _next(self) -> bool:
        row = self._backlog.next_row()
        if row is None:
            return False
        self._flight.expect(row.n)
        self._send(Kind.ENTRY, row)
        return True

    def _again(self) -> bool:
        this = self._is
        row = None if this.feed.ended else this.resender.next_row(this.cursor.delivered)
        if row is None:
            return this.resender.has_answer  # which goes at once, not at the next look
        if row.n in this.letterbox.numbers:
            this.resender.left_out()
        else:
            self._send(Kind.AGAIN, row)
        return True

    def _send(self, kind: Kind, row: Row) -> None:
        this, connection = self._is, self._connection
        topic = this.topics.entry(row.kind, row.instrument, row.subject)
        if topic is None:
            if kind is Kind.ENTRY:
                self.passed(row.n)
            return
        events = this.events if connection.version == "5" else None
        properties = None if events is None else events.properties(row)
        this.pace.take()
        try:
            mid = connection.publish(topic, row.body, properties=properties)
        except UnfitError as error:
            if kind is not Kind.AGAIN:
                self.set_aside(row, error.code, str(error), in_turn=kind is Kind.ENTRY)
            return
        self._flight.sent(mid, Sent(kind, row, topic))

    def _send_state(self, topic: str, payload: bytes, *, retain: bool) -> None:
        try:
            mid = self._connection.publish(topic, payload, retain=retain)
        except UnfitError as error:
            self._is.log.warning("broker.state_refused", topic=topic, reason=str(error))
            return
        self._flight.sent(mid, Sent(Kind.STATE, None, topic))
