r"""The contract that every driver must keep, as tests to inherit.

A plug-in author writes::

    from capture.driver.contract import DriverContract, Expected

    class TestMyMeter(DriverContract):
        frames = ((b"R 842.1 mOhm\r\n", (Expected("resistance", "0.8421", "Ohm"),)), ...)

        def make_driver(self):
            return MyMeter(MyOptions())

and, for a driver that asks, ``answer`` for everything it asks besides the value. Only the standard
library is used, so the class works under any test runner that collects ``test_`` methods.
"""

import random
import tracemalloc
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from capture.driver.api import Driver
from capture.driver.events import Event, Malformed, NoAnswer, Reply, Resync, Send
from capture.model import Indication, Status

_STREAM = False  # a stream link never marks the end of a message
_START = 5000.0
_QUIET = 5.0  # seconds of silence after opening: no line is under way
_MOST_EXCHANGES = 400
_MEMORY_BOUND = 128 * 1024


@dataclass(frozen=True, slots=True)
class Expected:
    """What one frame must be read as; ``value`` is the exact decimal text, None for no value."""

    quantity: str
    value: str | None
    unit: str
    status: Status = Status.OK

    def matches(self, indication: Indication) -> bool:
        """Tell whether an indication says exactly this."""
        value = None if self.value is None else Decimal(self.value)
        return (
            indication.quantity == self.quantity
            and indication.value == value
            and indication.unit == self.unit
            and indication.status is self.status
        )


class Exchange:
    """Runs a driver against a scripted instrument, with time that passes only when it must.

    ``quiet``: seconds of silence after the opening.
    """

    def __init__(self, driver: Driver, *, quiet: float = _QUIET) -> None:
        self.driver = driver
        self.now = _START
        self.sent: list[Send | Resync] = []
        self.asked: Send | None = None
        list(driver.outgoing(self.now))
        self.now += quiet

    def receive(self, data: bytes, cuts: Sequence[int] = ()) -> list[Event]:
        """Feed ``data`` cut at the given places; give the events that came of it."""
        events: list[Event] = []
        for start, end in zip((0, *cuts), (*cuts, len(data)), strict=True):
            self.driver.receive(data[start:end], _STREAM, self.now)
            events += self.events()
        return events

    def events(self) -> list[Event]:
        """Give all events that are waiting."""
        found: list[Event] = []
        while (event := self.driver.next_event()) is not None:
            found.append(event)
        return found

    def next_action(self) -> Send | Resync:
        """Let time pass until the driver wants something.

        Raises:
            AssertionError: it never wants anything again.
        """
        for _ in range(_MOST_EXCHANGES):
            actions = list(self.driver.outgoing(self.now))
            if actions:
                assert len(actions) == 1 or not any(
                    isinstance(action, Send) and action.reply is not Reply.NONE
                    for action in actions[:-1]
                ), "a second message was given while an answer is due"
                self.sent += actions
                return actions[-1]
            wake = self.driver.wake_at()
            assert wake is not None, "the driver neither sends nor says when it will"
            self.now = max(wake, self.now + 0.001)
        raise AssertionError("the driver never sends again")


class DriverContract:
    """Tests that hold for every driver. Inherit it; give ``make_driver`` and ``frames``."""

    #: Whole frames as the instrument sends them, and what each must be read as.
    frames: Sequence[tuple[bytes, Sequence[Expected]]] = ()

    #: What asks for a value, terminator included; None for an instrument that talks by itself.
    value_query: bytes | None = None

    #: Whether a value counts only after further questions were answered (settings, say).
    confirmed: bool = False

    #: Bytes that end whatever frame is under way.
    frame_end: bytes = b"\n"

    def make_driver(self) -> Driver:
        """Make a fresh driver, as for a new session."""
        raise NotImplementedError("a contract test gives make_driver()")

    def answer(self, message: bytes) -> bytes:
        """Answer a message other than the value query, as a healthy instrument does."""
        raise NotImplementedError(f"this driver sent {message!r}: give answer() for it")

    # ── helpers ──────────────────────────────────────────────────────────────────────────────

    def exchange(self) -> Exchange:
        """Start a session after which the next thing the driver wants is a value."""
        return Exchange(self.make_driver())

    def ask(self, exchange: Exchange) -> Send:
        """Answer everything until the value query is out; for a driver that asks."""
        asked, exchange.asked = exchange.asked, None
        if asked is not None:
            return asked
        for _ in range(_MOST_EXCHANGES):
            action = exchange.next_action()
            if isinstance(action, Resync):
                continue
            if action.data == self.value_query:
                return action
            if action.reply is not Reply.NONE:
                exchange.receive(self.answer(action.data))
        raise AssertionError(f"the driver never sent {self.value_query!r}")

    def read(self, exchange: Exchange, frame: bytes, cuts: Sequence[int] = ()) -> list[Event]:
        """Let the instrument send one frame, asked for where it must be."""
        if self.value_query is not None:
            self.ask(exchange)
        return self.take(exchange, frame, cuts)

    def take(self, exchange: Exchange, frame: bytes, cuts: Sequence[int] = ()) -> list[Event]:
        """Let a frame arrive; where values are confirmed, answer on until the next value query."""
        events = exchange.receive(frame, cuts)
        while self.confirmed and exchange.asked is None:
            action = exchange.next_action()
            events += exchange.events()
            if isinstance(action, Resync):
                break
            if action.data == self.value_query:
                exchange.asked = action
            elif action.reply is not Reply.NONE:
                events += exchange.receive(self.answer(action.data))
        return events

    def _all_frames(self, random_: random.Random | None) -> list[Event]:
        exchange = self.exchange()
        events: list[Event] = []
        for frame, _ in self.frames:
            if random_ is None:
                cuts: list[int] = list(range(1, len(frame)))
            else:
                cuts = sorted(random_.sample(range(1, len(frame)), random_.randrange(len(frame))))
            events += self.read(exchange, frame, cuts)
        return events

    # ── the contract ─────────────────────────────────────────────────────────────────────────

    def test_every_frame_is_read_as_expected(self) -> None:
        """Each frame gives exactly the indications that its author expects."""
        assert self.frames, "a contract test gives frames"
        exchange = self.exchange()
        for frame, expected in self.frames:
            shown = [e for e in self.read(exchange, frame) if isinstance(e, Indication)]
            assert len(shown) == len(expected), f"{frame!r} was read as {shown}"
            for indication, wanted in zip(shown, expected, strict=True):
                assert wanted.matches(indication), f"{frame!r} was read as {indication}"
                assert indication.raw, "an indication without its raw frame"

    def test_any_chunking_gives_the_same_events(self) -> None:
        """Whole, byte by byte, and cut at random places: the same events."""
        exchange = self.exchange()
        whole = [event for frame, _ in self.frames for event in self.read(exchange, frame)]
        assert self._all_frames(None) == whole
        random_ = random.Random(7)  # noqa: S311 - places to cut at
        for _ in range(100):
            assert self._all_frames(random_) == whole

    def test_random_bytes_never_raise(self) -> None:
        """Noise gives events at most; a value that comes of it is complete."""
        random_ = random.Random(11)  # noqa: S311 - noise
        alphabet = b"+-0123456789.eE,;:#>< \r\n\0" + b"".join(frame for frame, _ in self.frames)
        exchange = self.exchange()
        for round_ in range(400):
            if self.value_query is not None and round_ % 4 == 0:
                for action in exchange.driver.outgoing(exchange.now):
                    exchange.sent.append(action)
            exchange.now += random_.random()
            if round_ % 2:
                noise = random_.randbytes(random_.randrange(200))
            else:
                noise = bytes(random_.choice(alphabet) for _ in range(random_.randrange(200)))
            for event in exchange.receive(noise):
                if isinstance(event, Indication):
                    assert (event.value is None) <= (event.status is not Status.OK)
                    assert event.unit, "a value without a unit"

    def test_good_frame_after_junk_is_found(self) -> None:
        """Junk before a frame costs the junk; the frame after it is read."""
        junk = b"\x00\xff\xfe##junk,,;" + self.frame_end
        for frame, expected in self.frames:
            if not expected:
                continue
            exchange = self.exchange()
            events = self.read(exchange, junk)
            assert not [event for event in events if isinstance(event, Indication)]
            assert [event for event in events if isinstance(event, Malformed)], "junk unreported"
            again = [e for e in self.read(exchange, frame) if isinstance(e, Indication)]
            assert len(again) == len(expected), f"{frame!r} was lost after junk"
            assert all(w.matches(i) for w, i in zip(expected, again, strict=True))

    def test_memory_stays_bounded(self) -> None:
        """A stream without any end of frame costs a bounded amount of memory."""
        exchange = self.exchange()
        if self.value_query is not None:
            self.ask(exchange)
        block = b"x" * 4096
        exchange.receive(block)
        tracemalloc.start()
        try:
            for _ in range(96):
                exchange.driver.receive(block, _STREAM, exchange.now)
                exchange.events()
            held, _ = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        assert held < _MEMORY_BOUND, f"384 KiB without an end of frame hold {held} bytes"

    def test_a_late_answer_is_never_taken_for_the_next_one(self) -> None:
        """After a time-out the driver resynchronises, and an old answer is no reading."""
        if self.value_query is None:
            return  # an instrument that talks by itself is not asked, so nothing can be late
        frame = self.frames[0][0]
        for late_after_resync in (False, True):
            exchange = self.exchange()
            self.ask(exchange)
            exchange.sent.clear()
            action = exchange.next_action()
            assert isinstance(action, Resync), f"after a time-out the driver sent {action}"
            events = exchange.events()
            assert any(isinstance(event, NoAnswer) for event in events), "a time-out unreported"
            if late_after_resync:
                events = exchange.receive(frame)
                assert not [event for event in events if isinstance(event, Indication)]
                # Even after the next message has gone out, if that is not the value query.
                following = exchange.next_action()
                if isinstance(following, Send) and following.data != self.value_query:
                    events = exchange.receive(frame)
                    assert not [event for event in events if isinstance(event, Indication)]
                    exchange.receive(self.answer(following.data))
                    self.ask(exchange)
                elif isinstance(following, Resync):
                    self.ask(exchange)
            else:
                self.ask(exchange)
            wanted = self.frames[0][1]
            fresh = [e for e in self.take(exchange, frame) if isinstance(e, Indication)]
            assert len(fresh) == len(wanted), "no reading after a time-out"

    def test_time_may_stand_still(self) -> None:
        """Asking twice at the same instant neither sends twice nor raises."""
        exchange = self.exchange()
        if self.value_query is None:
            list(exchange.driver.outgoing(exchange.now))
        else:
            self.ask(exchange)
        again = list(exchange.driver.outgoing(exchange.now))
        assert again == [], f"asked twice at the same instant, the driver wants {again}"
