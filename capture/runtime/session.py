"""A session: one unbroken run of one driver on one open link.

It moves bytes and actions between the two, holds back messages that are not allowed, stamps what
comes out, and turns a driver's misbehaviour into one kind of error.
"""

import threading
import uuid
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from capture.clock import Clock
from capture.driver import Action, Driver, Event, Indication, Reply, Resync, Send
from capture.errors import DriverError
from capture.links import Link
from capture.model import new_id
from capture.runtime.policy import MessagePolicy

#: No read waits longer, so that a stop is noticed within this time.
LONGEST_WAIT = 0.25

_READ_LIMIT = 65536
_MOST_ACTIONS = 64  # in one round; a driver that wants more is running away
_KEPT_CHUNKS = 16
_LONGEST_QUERY = 200  # what a reading's source keeps of it


@dataclass(slots=True)
class Captured:
    """An indication with what the session knows about it. Not frozen, as an indication is not.

    Attributes:
        indication: what the instrument showed.
        time: UTC when its last byte was read.
        query: the query it answers, without terminator; None where nothing was asked.
        group: id shared by the values of one frame; None where a frame holds one value.
        synchronised: whether the host's clock followed a reference then; None where not known.
    """

    indication: Indication
    time: datetime
    query: str | None
    group: uuid.UUID | None
    synchronised: bool | None = None


class Session:
    """Runs one driver on one open link. Used by one thread."""

    def __init__(
        self,
        driver: Driver,
        link: Link,
        policy: MessagePolicy,
        clock: Clock,
        stop: threading.Event,
        on_event: Callable[[Event], None],
    ) -> None:
        self.id = new_id()
        self._driver = driver
        self._link = link
        self._policy = policy
        self._clock = clock
        self._stop = stop
        self._on_event = on_event
        self._query: str | None = None
        self._reply_due = False
        self._groups: dict[int, uuid.UUID] = {}
        self._failure: DriverError | None = None  # raised when what came before it is given
        self._recent: deque[tuple[str, bytes]] = deque(maxlen=_KEPT_CHUNKS)

    @property
    def recent(self) -> list[tuple[str, bytes]]:
        """The last chunks that went over the link, with ``>`` for sent and ``<`` for received."""
        return list(self._recent)

    def step(self, longest: float = LONGEST_WAIT) -> list[Captured]:
        """Send what is due, read once, and give what was captured.

        Waits at most ``longest`` seconds.

        Raises:
            LinkError: the link failed.
            PolicyError: the driver wanted to send what nobody allowed.
            DriverError: the driver raised; a bug in the driver. What it had shown before is given
                first, and the error with the next step.
        """
        if self._failure is not None:
            raise self._failure
        self._act()
        captured = self._drain_events()
        if captured:
            return captured
        data, end = self._read(longest)
        if data or end:
            self._recent.append(("<", data))
            if end or not self._link.message_based:
                self._reply_due = False
            try:
                self._driver.receive(data, end, self._clock.monotonic())
            except Exception as error:  # noqa: BLE001 - a stranger's driver may raise anything
                return self._drain_events(self._driver_error("receive", error))
            return self._drain_events()
        return []

    def close(self) -> None:
        """Send what the driver wants to say before the link is closed in good order.

        Raises:
            LinkError, PolicyError, DriverError: as for `step`.
        """
        try:
            actions = list(self._driver.closing(self._clock.monotonic()))
        except Exception as error:
            raise self._driver_error("closing", error) from error
        for action in actions[:_MOST_ACTIONS]:
            self._perform(action)

    def _act(self) -> None:
        for _ in range(_MOST_ACTIONS):
            try:
                actions = list(self._driver.outgoing(self._clock.monotonic()))
            except Exception as error:
                raise self._driver_error("outgoing", error) from error
            for action in actions:
                self._perform(action)
            if not actions or self._reply_due:
                return
        raise DriverError("the driver asks to send without end; report this to its author")

    def _perform(self, action: Action) -> None:
        match action:
            case Resync():
                self._query, self._reply_due = None, False
                self._link.resync()
            case Send(data, reply, _):
                self._policy.check(data)
                self._link.write(data)
                self._recent.append((">", data))
                if reply is not Reply.NONE:
                    self._query = _as_text(data)
                    self._reply_due = True
            case _:
                raise DriverError(f"the driver asked for {action!r}, which is no action")

    def _read(self, timeout: float) -> tuple[bytes, bool]:
        try:
            wake = self._driver.wake_at()
        except Exception as error:
            raise self._driver_error("wake_at", error) from error
        if wake is not None:
            timeout = min(timeout, max(0.0, wake - self._clock.monotonic()))
        if self._link.message_based and not self._reply_due:
            # Asking a message device for data that nobody ordered is an error of its own to it.
            self._clock.wait(self._stop, timeout)
            return b"", False
        return self._link.read(_READ_LIMIT, timeout)

    def _drain_events(self, failure: DriverError | None = None) -> list[Captured]:
        """Give what the driver shows; where it has raised, or does, that is told after it."""
        captured: list[Captured] = []
        now, synchronised = self._clock.utc(), self._clock.synchronised()
        try:
            while (event := self._driver.next_event()) is not None:
                if isinstance(event, Indication):
                    group = None if event.group is None else self._group(event.group)
                    query = event.query or self._query
                    captured.append(Captured(event, now, query, group, synchronised))
                else:
                    self._on_event(event)
        except Exception as error:  # noqa: BLE001 - a stranger's driver may raise anything
            failure = failure or self._driver_error("next_event", error)
        if failure is not None:
            if not captured:
                raise failure
            self._failure = failure
        if captured and self._query is not None:
            self._query = None
        return captured

    def _group(self, number: int) -> uuid.UUID:
        """Give the id of a frame's values; only the newest frames are remembered."""
        known = self._groups.get(number)
        if known is None:
            if len(self._groups) >= _KEPT_CHUNKS:
                self._groups.clear()
            known = self._groups[number] = new_id()
        return known

    def _driver_error(self, where: str, error: Exception) -> DriverError:
        made = DriverError(
            f"{type(self._driver).__name__}.{where} raised {type(error).__name__}: {error}; "
            "this is a bug in the driver, report it to its author"
        )
        made.__cause__ = error
        return made


def _as_text(message: bytes) -> str:
    """Write a message as a line that can be stored, control characters spelt out."""
    text = message.decode("latin-1")
    kept = text.strip() or text
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in kept)[:_LONGEST_QUERY]
