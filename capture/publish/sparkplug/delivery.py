"""An edge node's delivery over one connection: births, what is new, what was missed, deaths.

Data travel at QoS 0, so nothing says that they have arrived. Behind each batch goes a message at
QoS 1 on a topic of our own, the fence: its acknowledgement says that the broker has read what came
before it on this connection, and no more than that. The cursor moves over fenced batches only; what
a connection took with it is sent again after the next births, as history.

What was committed before the births is history and flagged so. It goes at a bounded rate and gives
way to what is new.
"""

import json
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from capture.errors import PublishError
from capture.journal import Row
from capture.publish.backlog import LOOK_EVERY
from capture.publish.connection import Connection, UnfitError
from capture.publish.context import Context
from capture.publish.delivery import NO_ANSWER, SAVE_EVERY, SYNC_EVERY, Outcome
from capture.publish.sparkplug.host import PrimaryHost
from capture.publish.sparkplug.node import EdgeNode, asks_for_rebirth, in_messages
from capture.publish.sparkplug.sample import Sample, sample_from, sample_of
from capture.publish.waiting import Waiting

_PAGE = 100  # entries behind which a fence goes
_MOST_FENCES = 2  # batches that may be unfenced at a time
_REBIRTH_EVERY = 5.0  # seconds; who asks again sooner is answered when they are over
_NO_PROGRESS = 30.0  # a broker that acknowledges no fence for so long is taken for dead
_GOODBYE = 2.0  # seconds to wait for the last word's acknowledgement
_CREDENTIALS_EVERY = 2.0
_TO_MILLISECONDS = 1000


@dataclass(frozen=True, slots=True)
class _Fence:
    """A fence on its way, and how far the two streams had come before it."""

    mid: int
    history: int
    live: int


class EdgeDelivery:
    """Delivers over one connection."""

    def __init__(
        self,
        context: Context,
        connection: Connection,
        node: EdgeNode,
        number: int,
        host: PrimaryHost | None,
        fence: str,
    ) -> None:
        """Take the node, this connection's bdSeq, the primary host, and the fence's topic."""
        self._is = context
        self._connection = connection
        self._node = node
        self._number = number
        self._host = host
        self._fence_topic = fence
        self._fences: deque[_Fence] = deque()
        self._waiting = Waiting(connection, context.feed, context.clock)
        self._history = self._births_at = self._live = context.cursor.delivered
        self._born = self._greeted = self._rebirth = False
        self._leave: tuple[Outcome, float] | None = None
        self._last_word: int | None = None
        self._wait_s = LOOK_EVERY
        now = context.clock.monotonic()
        self._answer_by = now + NO_ANSWER
        self._saved_at = self._synced_at = self._credentials_at = now
        self._progress_at = self._looked_at = now
        self._reborn_at = now - _REBIRTH_EVERY
        self.was_refused = False

    @property
    def leaves_with_will(self) -> bool:
        """Whether the broker is to say that the node has died, when we leave politely."""
        return self._born

    def run(self) -> Outcome:
        """Deliver until a stop was asked for, or the connection is to be made anew.

        Raises:
            PublishError: the connection is over; says why.
            JournalError: the journal cannot be read.
        """
        connection = self._connection
        while connection.over is None and not self._is.feed.time_is_up:
            if connection.accepted and (outcome := self._deliver()) is not None:
                return outcome
            self._waiting.turn(self._wait_s)
            self._take_acknowledgements()
            self._take_messages()
            self._keep_the_books()
        if connection.over is not None:
            raise PublishError(connection.over)
        return Outcome.OUT_OF_TIME

    # ── one turn ─────────────────────────────────────────────────────────────────────────────

    def _deliver(self) -> Outcome | None:
        this = self._is
        self._wait_s = LOOK_EVERY
        if not self._greeted:
            self._greet()
        if self._leave is not None:
            return self._left()
        if self._host is not None and not self._host.online:
            return self._wait_for_host(self._host)
        if not self._born:
            self._births_at = self._live = this.reader.last_n()
            this.reporter.update(paused="")
            self._give_birth()
        now = this.clock.monotonic()
        if self._rebirth and now - self._reborn_at >= _REBIRTH_EVERY:
            self._reborn_at = now
            self._give_birth()
        self._follow_states()
        self._send_what_there_is()
        if this.feed.ended and not self._fences and self._is_done():
            self._begin_to_leave(Outcome.GOODBYE)
        return None

    def _greet(self) -> None:
        self._greeted = True
        this = self._is
        this.reporter.update(connected=True, reason="", version=self._connection.version)
        self._connection.subscribe(self._node.topic("NCMD"))
        if self._host is not None:
            self._connection.subscribe(self._host.topic)

    def _wait_for_host(self, host: PrimaryHost) -> Outcome | None:
        if self._born:
            self._begin_to_leave(Outcome.RENEW)
            return None
        name = host.topic.rpartition("/")[2]
        self._is.reporter.update(
            paused=f"waits for the primary host {name}; what is stored now follows as history"
        )
        return Outcome.GOODBYE if self._is.feed.ended else None

    def _begin_to_leave(self, outcome: Outcome) -> None:
        """Say the last word. In MQTT 5 the broker says it, when told so at the DISCONNECT."""
        self._leave = (outcome, self._is.clock.monotonic() + _GOODBYE)
        if self._born and self._connection.version == "3.1.1":
            self._last_word = self._connection.publish(
                self._node.topic("NDEATH"), self._node.ndeath(self._number)
            )

    def _left(self) -> Outcome | None:
        assert self._leave is not None
        outcome, latest = self._leave
        over = self._is.clock.monotonic() >= latest
        return outcome if self._last_word is None or over else None

    # ── births and deaths ────────────────────────────────────────────────────────────────────

    def _now(self) -> int:
        return round(self._is.clock.utc().timestamp() * _TO_MILLISECONDS)

    def _give_birth(self) -> None:
        """Give birth to the node, then to every device that is there."""
        this, node = self._is, self._node
        self._born, self._rebirth = True, False
        node.learn(sample_of(reading) for reading in this.reader.last_readings())
        self._say("NBIRTH", node.nbirth(self._number, self._now()))
        this.feed.states_due.clear()
        for device in node.devices:
            if self._is_there(device):
                self._say("DBIRTH", node.dbirth(device, self._now()), device)

    def _is_there(self, device: str) -> bool:
        """Tell whether an instrument runs; what people key has none, and is always there.

        One without a state that once sent values is not, or no longer, configured.
        """
        state = self._is.feed.states.get(device)
        if state is None:
            return self._node.is_kept_by_hand(device)
        return bool(json.loads(state)["state"] == "running")

    def _follow_states(self) -> None:
        """Let devices be born and die as their instruments come and go."""
        due, node = self._is.feed.states_due, self._node
        while due:
            device = due.popleft()
            there, born = self._is_there(device), device in node.born
            if there and not born and device in node.devices:
                self._say("DBIRTH", node.dbirth(device, self._now()), device)
            elif born and not there:
                self._say("DDEATH", node.ddeath(device, self._now()), device)

    # ── data ─────────────────────────────────────────────────────────────────────────────────

    def _is_done(self) -> bool:
        return self._history >= self._births_at and self._live >= self._is.reader.last_n()

    def _send_what_there_is(self) -> None:
        """Send new readings first, then what was missed, as far as pace and fences let."""
        this = self._is
        most = min(_MOST_FENCES, self._connection.receive_maximum)
        while len(self._fences) < most and self._connection.over is None:
            now = this.clock.monotonic()
            if wait := this.pace.wait(now):
                self._wait_s = min(self._wait_s, wait)
                return
            if rows := self._new_rows(now):
                self._live = rows[-1].n
                self._send(rows, historical=False)
            elif rows := self._missed_rows():
                self._history = rows[-1].n
                self._send(rows, historical=True)
            else:
                self._history = max(self._history, self._births_at)
                return

    def _new_rows(self, now: float) -> list[Row]:
        feed = self._is.feed
        if not feed.look and now - self._looked_at < LOOK_EVERY:
            return []
        feed.look, self._looked_at = False, now
        rows = self._is.reader.after(self._live, _PAGE)
        feed.look = len(rows) == _PAGE
        return rows

    def _missed_rows(self) -> list[Row]:
        most = min(_PAGE, self._births_at - self._history)
        return self._is.reader.after(self._history, most) if most > 0 else []

    def _send(self, rows: Sequence[Row], *, historical: bool) -> None:
        node = self._node
        samples = [sample_from(row.body) for row in rows if row.kind == "reading"]
        node.learn(samples)
        for message in in_messages(samples):
            device = message[0].device
            if not all(node.is_born(sample) for sample in message):
                alive = self._is_there(device)
                self._say("DBIRTH", node.dbirth(device, self._now(), alive=alive), device)
            self._say_data(device, message, historical=historical)
        for device in tuple(node.born):
            if not self._is_there(device):
                self._say("DDEATH", node.ddeath(device, self._now()), device)
        self._fence()

    def _say_data(self, device: str, message: Sequence[Sample], *, historical: bool) -> None:
        """Send values of one device; one message that is too large is cut in two.

        A value that no message can carry is left out here and told of: the JSON stream has it.
        """
        payload = self._node.ddata(message, self._now(), historical=historical)
        try:
            self._say("DDATA", payload, device)
        except UnfitError as error:
            self._node.take_back()
            if len(message) == 1:
                told = {"id": message[0].reading, "reason": str(error)}
                self._is.log.error("sparkplug.left_out", **told)  # noqa: TRY400 - no defect of ours
                return
            half = len(message) // 2
            self._say_data(device, message[:half], historical=historical)
            self._say_data(device, message[half:], historical=historical)

    def _say(self, kind: str, payload: bytes, device: str = "") -> None:
        self._connection.publish(self._node.topic(kind, device), payload, qos=0)
        self._is.pace.take()

    def _fence(self) -> None:
        mid = self._connection.publish(self._fence_topic, b"{}")
        self._fences.append(_Fence(mid, self._history, self._live))

    # ── what came ────────────────────────────────────────────────────────────────────────────

    def _take_acknowledgements(self) -> None:
        this, acknowledged = self._is, self._connection.acknowledged
        while acknowledged:
            answer = acknowledged.popleft()
            if answer.refused:
                self.was_refused = True
                raise PublishError(f"the broker refuses {self._fence_topic}: {answer.refused}")
            if answer.mid == self._last_word:
                self._last_word = None
            if self._fences and answer.mid == self._fences[0].mid:
                self._progress_at = this.clock.monotonic()
                fence = self._fences.popleft()
                # What is new counts once nothing older is missing.
                done = fence.history >= self._births_at
                this.cursor.delivered = fence.live if done else fence.history

    def _take_messages(self) -> None:
        this, incoming = self._is, self._connection.incoming
        while incoming:
            message = incoming.popleft()
            try:
                if self._host is not None and message.topic == self._host.topic:
                    self._host.take(bytes(message.payload))
                elif not message.retain and asks_for_rebirth(bytes(message.payload)):
                    self._rebirth = True
            except ValueError as error:
                refused = this.reporter.now.requests_refused + 1
                this.reporter.update(requests_refused=refused)
                if refused & (refused - 1) == 0:  # the 1st, 2nd, 4th, 8th …: a flood fills no log
                    this.log.warning("sparkplug.not_understood", reason=str(error), count=refused)

    def _keep_the_books(self) -> None:
        this, now = self._is, self._is.clock.monotonic()
        if not self._connection.accepted and now >= self._answer_by:
            self._connection.not_answered()
            return
        if not self._fences:
            self._progress_at = now
        elif now - self._progress_at > _NO_PROGRESS:
            raise PublishError("the broker acknowledges nothing; connecting anew")
        if now - self._saved_at < SAVE_EVERY:
            return
        self._saved_at = now
        sync = now - self._synced_at >= SYNC_EVERY
        this.cursor.save(sync=sync)
        if sync:
            self._synced_at = now
        delivered = this.cursor.delivered
        this.reporter.update(delivered=delivered, backlog=this.reader.last_n() - delivered)
        self._look_at_credentials(now)

    def _look_at_credentials(self, now: float) -> None:
        if now - self._credentials_at < _CREDENTIALS_EVERY or self._leave is not None:
            return
        self._credentials_at = now
        if self._is.credentials.have_changed():
            self._is.log.info("credentials.changed")
            self._begin_to_leave(Outcome.RENEW)
