"""Delivery over one connection: from CONNECT until it is over.

One loop: fill the window, wait for the socket or the daemon, take what came. The cursor moves over
acknowledged entries without a hole, so after a loss everything from the first unacknowledged entry
on is sent again on the next connection, same ids, same order.
"""

from enum import Enum, auto

from capture.errors import InputError, PublishError
from capture.publish.answers import Answers
from capture.publish.backlog import LOOK_EVERY
from capture.publish.connection import Connection
from capture.publish.context import Context
from capture.publish.flight import Flight, Kind
from capture.publish.refusals import ROW_FAULTS
from capture.publish.sender import Sender
from capture.publish.waiting import Waiting

SAVE_EVERY = 0.1
SYNC_EVERY = 5.0
_TELL_EVERY = 1.0
_QUIET = 0.5  # seconds between two looks at everything, where nothing is going on
_CREDENTIALS_EVERY = 2.0
NO_ANSWER = 4.0  # seconds for CONNACK; past that MQTT lets a client close the connection
_NO_PROGRESS = 30.0  # a connection that acknowledges nothing for so long is taken for dead
_LEAVING = 2.0  # seconds to wait for what is in flight, when a connection is given up


class Outcome(Enum):
    """How a delivery ended that did not fail."""

    GOODBYE = auto()
    """All was delivered, and the goodbye said."""
    OUT_OF_TIME = auto()
    """A stop was asked for, and its time is up."""
    RENEW = auto()
    """Certificates or the password were replaced: connect with the new ones."""


class Delivery:
    """Delivers over one connection."""

    leaves_with_will = False  # its last word is said before

    def __init__(self, context: Context, connection: Connection) -> None:
        self._is = context
        self._connection = connection
        self._flight = Flight()
        self._sender = Sender(context, connection, self._flight)
        self._answers = Answers(context, connection, self._flight, self._sender)
        self._waiting = Waiting(connection, context.feed, context.clock)
        self._greeted = False
        self._renew = False
        self._leave_by: float | None = None
        self._said: tuple[object, ...] = ()
        now = context.clock.monotonic()
        self._saved_at = self._synced_at = self._progress_at = now
        self._told_at = self._credentials_at = now
        self._answer_by = now + NO_ANSWER

    @property
    def was_refused(self) -> bool:
        """Whether the connection was given up over a refused message."""
        return bool(self._answers.leave)

    def run(self) -> Outcome:
        """Deliver until a stop was asked for.

        Raises:
            PublishError: the connection is over; says why.
            JournalError: the journal cannot be read.
        """
        connection = self._connection
        try:
            while connection.over is None and not self._is.feed.time_is_up:
                if connection.accepted and (outcome := self._deliver()) is not None:
                    return outcome
                # What was handed over is on its way before anything is written down about it.
                connection.send_now()
                self._keep_the_books()
                self._waiting.turn(self._patience())
                self._take_what_came()
            if connection.over is not None:
                raise PublishError(connection.over)
        finally:
            self._answers.tell()
            if connection.over is not None:
                self._blame()
        return Outcome.OUT_OF_TIME

    def _patience(self) -> float:
        """Give the seconds until something may be due that nobody tells of.

        The daemon tells of all that is stored, by whomever; what people do with dead letters,
        certificates and passwords is noticed within half a second.
        """
        this = self._is
        quiet = (
            self._connection.accepted
            and not len(self._flight)
            and not this.cursor.unsaved
            and not this.pause.on
            and not this.feed.ended
            and self._leave_by is None
        )
        return min(self._sender.wait_s, _QUIET if quiet else LOOK_EVERY)

    def _deliver(self) -> Outcome | None:
        if not self._greeted:
            self._greeted = True
            self._is.reporter.update(connected=True, reason="", version=self._connection.version)
            self._said = self._to_say()
            self._sender.greet()
        if self._leave_by is not None:
            if len(self._flight) and self._is.clock.monotonic() < self._leave_by:
                return None
            if self._answers.leave:
                raise PublishError(self._answers.leave)
            return Outcome.RENEW
        self._sender.fill()
        if not len(self._flight):
            self._progress_at = self._is.clock.monotonic()
            if self._sender.said_goodbye:
                return Outcome.GOODBYE
        return None

    def _take_what_came(self) -> None:
        this, before = self._is, self._answers.count
        self._answers.take()
        now = this.clock.monotonic()
        if self._answers.count != before:
            self._progress_at = now
        if self._answers.leave and self._leave_by is None:
            self._leave_by = now + _LEAVING
        incoming = self._connection.incoming
        while incoming:
            message = incoming.popleft()
            try:
                this.resender.take(bytes(message.payload), retained=message.retain, now=now)
            except InputError as error:
                refused = this.reporter.now.requests_refused + 1
                this.reporter.update(requests_refused=refused)
                if refused & (refused - 1) == 0:  # the 1st, 2nd, 4th, 8th …: a flood fills no log
                    this.log.warning("resend.refused", reason=str(error), refused=refused)

    def _keep_the_books(self) -> None:
        this, now = self._is, self._is.clock.monotonic()
        if not self._connection.accepted and now >= self._answer_by:
            self._connection.not_answered()
            return
        if len(self._flight) and now - self._progress_at > _NO_PROGRESS:
            raise PublishError("the broker acknowledges nothing; connecting anew")
        if now - self._saved_at >= SAVE_EVERY:
            self._saved_at = now
            sync = now - self._synced_at >= SYNC_EVERY
            this.cursor.save(sync=sync)
            if sync:
                self._synced_at = now
            this.letterbox.look()
            self._answers.tell()
            this.reporter.update(
                delivered=this.cursor.delivered,
                backlog=this.reader.last_n() - this.cursor.delivered,
                dead_letters=len(this.letterbox.numbers),
            )
            self._say_what_turned(now)
            self._look_at_credentials(now)

    def _to_say(self) -> tuple[object, ...]:
        report = self._is.reporter.now
        return report.paused, report.dead_letters, report.nobody_listens

    def _say_what_turned(self, now: float) -> None:
        """Tell the plant, too, but not for every single thing."""
        if (
            self._greeted
            and not self._sender.said_goodbye
            and self._connection.over is None
            and now - self._told_at >= _TELL_EVERY
            and len(self._flight) < self._connection.receive_maximum
            and (self._said != self._to_say() or self._sender.head_is_due(now))
        ):
            self._told_at = now
            self._said = self._to_say()
            self._sender.send_bench_state("online")

    def _look_at_credentials(self, now: float) -> None:
        this = self._is
        if now - self._credentials_at < _CREDENTIALS_EVERY or self._leave_by is not None:
            return
        self._credentials_at = now
        fault = this.credentials.fault
        if this.credentials.have_changed():
            this.log.info("credentials.changed")
            self._leave_by = now + _LEAVING
        elif this.credentials.fault not in ("", fault):
            this.log.error("credentials.not_used", reason=this.credentials.fault)

    def _blame(self) -> None:
        """Find out whether an entry ended the connection; if so, put it aside."""
        if not self._answers.count:
            return  # it did not work before that either
        row_fault = self._connection.over_code in ROW_FAULTS
        reason = f"the broker ended the connection over it ({self._connection.over})"
        code = self._connection.over_code
        for sent in self._flight.in_flight(Kind.LETTER):
            if sent.row is not None:
                self._sender.set_aside(sent.row, code, reason, in_turn=False)
        entries = self._flight.in_flight(Kind.ENTRY)
        numbers = [sent.row.n for sent in entries if sent.row is not None]
        blamed = self._is.suspects.lost(numbers, row_fault=row_fault, alone=len(self._flight) == 1)
        for sent in entries:
            if sent.row is not None and sent.row.n == blamed:
                self._sender.set_aside(sent.row, code, reason, in_turn=True)
