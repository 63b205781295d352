"""How a worker is, for whoever asks from another thread: one picture, replaced as a whole."""

from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Literal, Protocol, get_args

from capture.clock import Clock

State = Literal["beginning", "standing-by", "listening", "away"]
STATES: tuple[State, ...] = get_args(State)
Status = Literal["ok", "degraded", "failing"]
STATUSES: tuple[Status, ...] = get_args(Status)

_SILENT = 60.0  # seconds without a turn: a look at a large database takes some


class _Storing(Protocol):
    """What is asked of the thread that stores."""

    @property
    def waiting(self) -> int: ...

    dropped: int


@dataclass(frozen=True, slots=True)
class Picture:
    """How a worker is at a moment; counts are since its start.

    Attributes:
        state, slot: what it does, and for which slot.
        turned_at: monotonic seconds of its last sign of life.
        stored, known, quarantined: messages that were new, were there already, were unfit.
        dropped: messages at QoS 0 that found no room.
        words_waiting, words_dropped: what benches said of themselves and is not written down.
        failures: times that broker or database were lost, or not reached.
        deaf: whether the broker does not let it hear what benches say of themselves.
        stored_at: when the newest message was stored, UTC.
    """

    state: State
    turned_at: float
    slot: int | None = None
    stored: int = 0
    known: int = 0
    quarantined: int = 0
    dropped: int = 0
    words_waiting: int = 0
    words_dropped: int = 0
    failures: int = 0
    deaf: bool = False
    stored_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Health:
    """Whether somebody must look after a worker, and why; fixed words and counts only."""

    status: Status
    reasons: tuple[str, ...] = field(default=())


class Vitals:
    """The newest picture of a worker, which alone replaces it."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._before = (0, 0)  # of earlier connections, whose counts begin anew
        self.now = Picture("beginning", clock.monotonic())

    @property
    def age(self) -> float:
        """Seconds since the worker's last sign of life."""
        return max(0.0, self._clock.monotonic() - self.now.turned_at)

    def turned(self, state: State) -> None:
        """Hear a sign of life."""
        self.now = replace(self.now, state=state, turned_at=self._clock.monotonic())

    def of_connection(
        self,
        slot: int | None,
        counts: dict[str, int],
        storing: _Storing,
        dropped: int,
        *,
        deaf: str,
    ) -> None:
        """Take what a connection has come to."""
        before, (no_room, words) = self.now, self._before
        is_more = sum(counts.values()) > before.stored + before.known + before.quarantined
        self.now = replace(
            before,
            slot=slot,
            stored=counts["stored"],
            known=counts["known"],
            quarantined=counts["quarantined"],
            dropped=no_room + dropped,
            words_waiting=storing.waiting,
            words_dropped=words + storing.dropped,
            deaf=bool(deaf),
            stored_at=self._clock.utc() if is_more else before.stored_at,
        )

    def is_away(self) -> None:
        """Hear that broker or database were lost."""
        self._before = (self.now.dropped, self.now.words_dropped)
        self.now = replace(
            self.now,
            state="away",
            slot=None,
            words_waiting=0,
            failures=self.now.failures + 1,
            turned_at=self._clock.monotonic(),
        )

    def health(self) -> Health:
        """Judge the newest picture."""
        now, age = self.now, self.age
        if age > _SILENT:
            return Health("failing", (f"no sign of life for {int(age)} s",))
        if now.state == "away":
            return Health("failing", ("the broker or the database is away",))
        if now.state == "beginning":
            return Health("failing", ("not connected yet",))
        reasons = []
        if now.state == "listening" and now.deaf:
            reasons.append("the broker does not give what benches say of themselves")
        if now.words_waiting:
            reasons.append("another worker keeps what benches say from being written down")
        return Health("degraded" if reasons else "ok", tuple(reasons))
