"""Running a driver on recorded bytes, to see line by line what it makes of them.

Time is made up: the recorded time of the bytes, and later where a driver that asks must first be
let ask. What a driver wants to send goes nowhere.
"""

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from capture.driver.api import Driver
from capture.driver.events import Event, Malformed, NoAnswer, Reply, Resync, Send
from capture.model import Indication

_QUIET = 5.0  # seconds after the last byte: what silence makes certain is certain then
_MOST_ASKING = 50
_STREAM = False


class Kind(StrEnum):
    """What became of some bytes."""

    READ = "read"
    MALFORMED = "malformed"
    PASSED = "passed over"
    """Nothing came of them: a banner, a blank line, the end of a line that began earlier."""
    OTHER = "other"
    """An event that is neither, such as an identity."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """Bytes, and what became of them."""

    time: float
    raw: bytes
    kind: Kind
    indications: tuple[Indication, ...] = ()
    text: str = ""


def replay(driver: Driver, chunks: Iterable[tuple[float, bytes]]) -> Iterator[Outcome]:
    """Give a driver recorded bytes, and tell what became of every one of them, in order.

    ``chunks`` are seconds and bytes. Bytes are given one by one, so that each outcome is told where
    it came about.
    """
    run = _Run(driver)
    time = 0.0
    for time, data in chunks:
        for byte in data:
            run.let_ask(time)
            driver.receive(bytes((byte,)), _STREAM, run.now)
            run.pending.append(byte)
            yield from run.outcomes(time)
    run.let_pass(time + _QUIET)
    yield from run.outcomes(time)
    yield from run.passed(time)


class _Run:
    def __init__(self, driver: Driver) -> None:
        self.driver = driver
        self.now = 0.0
        self.pending = bytearray()
        self._asked = False
        self._asks = False
        # A recording may begin anywhere in a line, so that the driver has to find the next one.
        self._perform()

    def let_ask(self, time: float) -> None:
        """Let time pass to ``time``, and on until a driver that asks has asked."""
        self.let_pass(time)
        for _ in range(_MOST_ASKING):
            if not self._asks or self._asked:
                return
            wake = self.driver.wake_at()
            if wake is not None:
                self.now = max(self.now, wake)
            self._perform()

    def let_pass(self, time: float) -> None:
        """Let time pass; a driver that waits for silence gets it."""
        while (wake := self.driver.wake_at()) is not None and self.now < wake <= time:
            if self._asked:
                break  # the recording has the answer; it must not be late
            self.now = wake
            self._perform()
        if not self._asked:
            self.now = max(self.now, time)
        self._perform()

    def outcomes(self, time: float) -> Iterator[Outcome]:
        """Tell what came of the bytes given so far, if anything did."""
        events: list[Event] = []
        while (event := self.driver.next_event()) is not None:
            if not isinstance(event, NoAnswer):
                events.append(event)
        if not events:
            return
        self._asked = False
        for raw, same in itertools.groupby(events, lambda event: getattr(event, "raw", b"")):
            yield from self._before(raw, time)
            yield _outcome(time, raw, list(same))

    def passed(self, time: float) -> Iterator[Outcome]:
        """Tell of the bytes that nothing came of."""
        rest, self.pending = bytes(self.pending), bytearray()
        for line in rest.splitlines(keepends=True):
            if line.strip():
                yield Outcome(time, line, Kind.PASSED)

    def _before(self, raw: bytes, time: float) -> Iterator[Outcome]:
        place = self.pending.find(raw) if raw else -1
        if place < 0:
            return
        rest = self.pending[place + len(raw) :]
        del self.pending[place:]
        yield from self.passed(time)
        self.pending = rest

    def _perform(self) -> None:
        for action in self.driver.outgoing(self.now):
            match action:
                case Send(_, reply, _):
                    self._asks = True
                    self._asked = reply is not Reply.NONE
                case Resync():
                    self._asked = False


def _outcome(time: float, raw: bytes, events: list[Event]) -> Outcome:
    indications = tuple(event for event in events if isinstance(event, Indication))
    if indications:
        return Outcome(time, raw, Kind.READ, indications)
    for event in events:
        if isinstance(event, Malformed):
            return Outcome(time, raw, Kind.MALFORMED, text=event.reason)
    return Outcome(time, raw, Kind.OTHER, text=", ".join(str(event) for event in events))
