"""What the broker answered, and what follows from it for the message and for those behind it."""

from capture.publish.connection import Acknowledgement, Connection
from capture.publish.context import Context
from capture.publish.flight import Flight, Kind, Sent
from capture.publish.refusals import Action, action_for
from capture.publish.sender import Sender

_UNHEARD_FOR = 5.0  # seconds without an unheard reading until somebody counts as listening


class Answers:
    """Takes the acknowledgements of one connection."""

    def __init__(
        self, context: Context, connection: Connection, flight: Flight, sender: Sender
    ) -> None:
        self._is = context
        self._connection = connection
        self._flight = flight
        self._sender = sender
        self._unheard = 0
        self._unheard_at = float("-inf")
        self._complained_of: set[str] = set()
        self.count = 0
        self.leave = ""
        """Why this connection should be given up; empty where it should not."""

    def take(self) -> None:
        """Take what has come."""
        queue = self._connection.acknowledged
        while queue:
            answer = queue.popleft()
            sent = self._flight.answered(answer.mid)
            if sent is None:
                continue
            self.count += 1
            if answer.refused is None:
                self._accepted(sent, answer)
            else:
                self._refused(sent, answer)

    def tell(self) -> None:
        """Bring into the report what is only counted for each message."""
        if self._unheard:
            reporter = self._is.reporter
            unheard, self._unheard = reporter.now.unheard + self._unheard, 0
            reporter.update(unheard=unheard)

    def _accepted(self, sent: Sent, answer: Acknowledgement) -> None:
        this, row = self._is, sent.row
        if row is None:
            return
        if row.kind == "reading":
            self._note_listeners(answer)
        match sent.kind:
            case Kind.ENTRY:
                this.suspects.passed(row.n)
                this.letterbox.delivered(row.n)
                if this.pause.on:
                    this.pause.end()
                    this.reporter.update(paused="")
                self._sender.passed(row.n)
            case Kind.LETTER:
                this.letterbox.delivered(row.n)
                this.log.info("outbox.delivered", id=str(row.id), n=row.n)
                this.reporter.update(dead_letters=len(this.letterbox.numbers))
            case _:
                this.reporter.update(resent=this.reporter.now.resent + 1)

    def _note_listeners(self, answer: Acknowledgement) -> None:
        reporter = self._is.reporter
        if answer.nobody_listens:
            self._unheard += 1
            self._unheard_at = self._is.clock.monotonic()
            if not reporter.now.nobody_listens:
                self.tell()
                reporter.update(nobody_listens=True)
        elif (
            reporter.now.nobody_listens
            and self._is.clock.monotonic() - self._unheard_at > _UNHEARD_FOR
        ):
            reporter.update(nobody_listens=False)

    def _refused(self, sent: Sent, answer: Acknowledgement) -> None:
        this, row, reason = self._is, sent.row, str(answer.refused)
        this.reporter.update(refused=this.reporter.now.refused + 1)
        if row is None or sent.kind is Kind.AGAIN:
            if sent.topic not in self._complained_of:
                self._complained_of.add(sent.topic)
                this.log.warning("broker.refused", topic=sent.topic, reason=reason)
            return
        action = action_for(answer.code)
        if sent.kind is Kind.LETTER:
            self._sender.set_aside(row, answer.code, reason, in_turn=False)
            return
        if action is Action.DOUBT and this.suspects.refused(row.n):
            action = Action.SET_ASIDE
        match action:
            case Action.SET_ASIDE:
                self._sender.set_aside(row, answer.code, reason, in_turn=True)
            case Action.PAUSE:
                self._sender.pause(
                    f"the broker does not let us publish to {sent.topic} ({reason}); "
                    "check its access rules"
                )
            case _:
                self.leave = self.leave or (
                    f"the broker refused a message ({reason}); check its limits; "
                    "delivery goes on from this message"
                )
