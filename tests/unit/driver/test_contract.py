"""The contract catches bad drivers: each of these is broken in one way, and one test says so."""

from collections import deque
from decimal import Decimal

import pytest

from capture.driver import (
    Driver,
    Indication,
    LineFramer,
    Malformed,
    NoAnswer,
    Reply,
    Resync,
    Send,
    Status,
)
from capture.driver.contract import DriverContract, Expected

TESTS = [name for name in dir(DriverContract) if name.startswith("test_")]


class Lines(Driver):
    """A small driver that keeps the contract: lines such as ``R 1.5``, sent unasked."""

    def __init__(self):
        self.framer = LineFramer(limit=64)
        self.events = deque()

    def receive(self, data, end_of_message, now):
        for frame in self.framer.feed(data, end_of_message=end_of_message):
            self.take(frame)

    def take(self, frame):
        if frame.damage is None and frame.data.startswith(b"R ") and self.is_number(frame.data[2:]):
            text = frame.data[2:].decode()
            self.events.append(
                Indication("resistance", "Ohm", Decimal(text), text, "", Status.OK, frame.raw)
            )
        else:
            self.events.append(Malformed(frame.raw, "not a line"))

    @staticmethod
    def is_number(data):
        return data.replace(b".", b"", 1).isdigit()

    def next_event(self):
        return self.events.popleft() if self.events else None

    def outgoing(self, now):
        return []

    def wake_at(self):
        return None


class Asking(Lines):
    """A small driver that asks and keeps the contract: resync, a pause, then the next query."""

    def __init__(self):
        super().__init__()
        self.asked = None
        self.resync = False
        self.not_before = float("-inf")

    def take(self, frame):
        if self.asked is None:
            self.events.append(Malformed(frame.raw, "came unasked"))
            self.resync = True
            return
        super().take(frame)
        if isinstance(self.events[-1], Malformed):
            self.resync = True
        else:
            self.asked = None

    def outgoing(self, now):
        if self.asked is not None and now >= self.asked + 2:
            self.events.append(NoAnswer(b"V?", now - self.asked))
            self.resync = True
        if self.resync:
            self.asked, self.resync = None, False
            self.framer.reset()
            self.not_before = now + 2
            return [Resync("out of step")]
        if self.asked is not None or now < self.not_before:
            return []
        self.asked = now
        self.not_before = now + 1
        return [Send(b"V?\n", Reply.LINE, 2.0)]

    def wake_at(self):
        if self.resync:
            return float("-inf")
        return self.not_before if self.asked is None else self.asked + 2


# ── broken in one way each ───────────────────────────────────────────────────────────────────


class NeedsWholeLines(Lines):
    """Takes each piece that arrives for a line."""

    def receive(self, data, end_of_message, now):
        for line in data.splitlines(keepends=True):
            super().receive(line.strip() + b"\n", False, now)


class RaisesOnNoise(Lines):
    def take(self, frame):
        frame.data.decode("ascii")
        super().take(frame)


class KeepsEverything(Lines):
    """Has no limit on a line that never ends."""

    def __init__(self):
        super().__init__()
        self.framer = LineFramer(limit=1 << 30)


class KeepsATrace(Lines):
    """Cuts lines with a limit, but remembers every byte that ever came."""

    def __init__(self):
        super().__init__()
        self.trace = []

    def receive(self, data, end_of_message, now):
        self.trace.append(bytes(bytearray(data)))
        super().receive(data, end_of_message, now)


class LosesTheFrameAfterJunk(Lines):
    """Is thrown out of step by a bad line, and drops the next one, too."""

    def __init__(self):
        super().__init__()
        self.drop = False

    def take(self, frame):
        if self.drop:
            self.drop = False
            return
        super().take(frame)
        self.drop = isinstance(self.events[-1], Malformed)


class SaysNothingOfJunk(Lines):
    def take(self, frame):
        super().take(frame)
        if isinstance(self.events[-1], Malformed):
            self.events.pop()


class InventsAUnitless(Lines):
    def take(self, frame):
        self.events.append(Indication("resistance", "", None, "", "", Status.OK, frame.raw))


class ReadsTheWrongValue(Lines):
    @staticmethod
    def is_number(data):
        return data.isdigit()


class WithoutRaw(Lines):
    def take(self, frame):
        super().take(frame)
        if isinstance(self.events[-1], Indication):
            shown = self.events.pop()
            self.events.append(
                Indication("resistance", "Ohm", shown.value, shown.digits, "", Status.OK, b"")
            )


class AsksAgainAtOnce(Asking):
    """Lets a time-out pass and simply asks again: the late answer is taken for the new one."""

    def outgoing(self, now):
        if self.asked is not None and now >= self.asked + 2:
            self.events.append(NoAnswer(b"V?", now - self.asked))
            self.asked = None
            self.not_before = now
        return super().outgoing(now)


class BelievesWhatComesAfterResync(Asking):
    """Resynchronises, and then takes whatever still arrives for a value."""

    def take(self, frame):
        Lines.take(self, frame)
        self.asked = None


class TimesOutInSilence(Asking):
    def outgoing(self, now):
        actions = super().outgoing(now)
        self.events = deque(e for e in self.events if not isinstance(e, NoAnswer))
        return actions


class GivesUpAfterATimeOut(Asking):
    """Resynchronises and never asks again."""

    def outgoing(self, now):
        actions = super().outgoing(now)
        if any(isinstance(action, Resync) for action in actions):
            self.not_before = float("inf")
        return actions

    def wake_at(self):
        return 1e12 if self.not_before == float("inf") else super().wake_at()


class AsksTwiceAtTheSameInstant(Asking):
    def outgoing(self, now):
        if self.asked == now:
            self.asked, self.not_before = None, now
        return super().outgoing(now)


def contract_of(kind):
    class Contract(DriverContract):
        value_query = b"V?\n" if issubclass(kind, Asking) else None
        frames = (
            (b"R 1.5\n", (Expected("resistance", "1.5", "Ohm"),)),
            (b"R 17\r\n", (Expected("resistance", "17", "Ohm"),)),
            (b"X 17\r\n", ()),
        )

        def make_driver(self):
            return kind()

        def answer(self, message):
            raise AssertionError(f"nothing else is asked, but it sent {message!r}")

    return Contract()


@pytest.mark.parametrize("kind", [Lines, Asking])
@pytest.mark.parametrize("name", TESTS)
def test_a_good_driver_passes_every_test(kind, name):
    getattr(contract_of(kind), name)()


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        (NeedsWholeLines, "test_any_chunking_gives_the_same_events"),
        (RaisesOnNoise, "test_random_bytes_never_raise"),
        (KeepsEverything, "test_memory_stays_bounded"),
        (KeepsATrace, "test_memory_stays_bounded"),
        (LosesTheFrameAfterJunk, "test_good_frame_after_junk_is_found"),
        (SaysNothingOfJunk, "test_good_frame_after_junk_is_found"),
        (InventsAUnitless, "test_random_bytes_never_raise"),
        (ReadsTheWrongValue, "test_every_frame_is_read_as_expected"),
        (WithoutRaw, "test_every_frame_is_read_as_expected"),
        (AsksAgainAtOnce, "test_a_late_answer_is_never_taken_for_the_next_one"),
        (BelievesWhatComesAfterResync, "test_a_late_answer_is_never_taken_for_the_next_one"),
        (TimesOutInSilence, "test_a_late_answer_is_never_taken_for_the_next_one"),
        (GivesUpAfterATimeOut, "test_a_late_answer_is_never_taken_for_the_next_one"),
        (AsksTwiceAtTheSameInstant, "test_time_may_stand_still"),
    ],
)
def test_a_broken_driver_is_caught_by_the_test_for_it(kind, name):
    with pytest.raises((AssertionError, UnicodeDecodeError)):
        getattr(contract_of(kind), name)()


def test_a_contract_without_frames_proves_nothing_and_says_so():
    class Empty(DriverContract):
        def make_driver(self):
            return Lines()

    with pytest.raises(AssertionError, match="gives frames"):
        Empty().test_every_frame_is_read_as_expected()
