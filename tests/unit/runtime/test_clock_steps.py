"""A step of the host's clock reorders nothing and loses nothing; readings say what clock it was."""

import threading
from collections import deque
from datetime import timedelta
from decimal import Decimal

import pytest

from capture.clock import ManualClock
from capture.driver import Driver, Indication, Status
from capture.journal import JournalReader, Store
from capture.journal.verify import verify
from capture.links.memory import MemoryLink, Wire
from capture.model import Reading
from capture.model import ids as id_module
from capture.runtime import MessagePolicy
from capture.runtime.drafting import Drafter, Provenance
from capture.runtime.session import Session


class Counting(Driver):
    """Gives the number of each byte that comes."""

    def __init__(self):
        self.events = deque()

    def receive(self, data, end_of_message, now):
        for byte in data:
            self.events.append(
                Indication(
                    "resistance", "Ohm", Decimal(byte), str(byte), "Ohm", Status.OK, bytes([byte])
                )
            )

    def next_event(self):
        return self.events.popleft() if self.events else None

    def outgoing(self, now):
        return []

    def wake_at(self):
        return None


class Bench:
    """A session, a journal and one clock, which also makes the ids."""

    def __init__(self, path, monkeypatch):
        self.clock = ManualClock()
        monkeypatch.setattr(id_module, "_last", 0)
        monkeypatch.setattr(id_module.time, "time_ns", self._nanoseconds)
        self.wire = Wire()
        link = MemoryLink(self.wire)
        link.open()
        self.session = Session(
            Counting(), link, MessagePolicy(), self.clock, threading.Event(), lambda _: None
        )
        self.drafter = Drafter(
            Provenance("sawmill", "bench-1", "ohm-1", "d", "1", None, "m", self.session.id)
        )
        self.store = Store(path)

    def _nanoseconds(self):
        return int(self.clock.utc().timestamp() * 1000) * 1_000_000

    def take(self, *values):
        self.wire.say(bytes(values))
        drafts = []
        while len(drafts) < len(values):
            drafts += [self.drafter.draft(each) for each in self.session.step()]
        self.store.append(drafts)


@pytest.fixture
def bench(tmp_path, monkeypatch):
    made = Bench(tmp_path / "bench.journal", monkeypatch)
    yield made
    made.store.close()


def readings(path):
    reader = JournalReader(path)
    try:
        return [Reading.model_validate_json(row.body) for row in reader.after(0, 1000)]
    finally:
        reader.close()


def test_steps_forward_and_back_keep_order_sequence_and_ids(bench, tmp_path):
    bench.take(1, 2)
    bench.clock.step_utc(-3600)
    bench.take(3)
    bench.clock.step_utc(7200)
    bench.take(4, 5)
    bench.clock.step_utc(-30 * 86400)
    bench.take(6)
    found = readings(tmp_path / "bench.journal")
    assert [int(each.value) for each in found] == [1, 2, 3, 4, 5, 6]
    assert [each.sequence for each in found] == [1, 2, 3, 4, 5, 6]
    ids = [each.id for each in found]
    assert ids == sorted(ids)
    assert len(set(ids)) == 6
    start = found[0].time
    assert [each.time - start for each in found[2:]] == [
        timedelta(hours=-1),
        timedelta(hours=1),
        timedelta(hours=1),
        timedelta(hours=1, days=-30),
    ], "the stamp is what the host believed, right or wrong"
    assert verify(tmp_path / "bench.journal").ok


def test_each_reading_says_whether_the_clock_followed_a_reference_then(bench, tmp_path):
    for value, said in enumerate([None, False, True, False], start=1):
        bench.clock.says_synchronised = said
        bench.take(value)
    found = readings(tmp_path / "bench.journal")
    assert [each.clock_synchronised for each in found] == [None, False, True, False]
    reader = JournalReader(tmp_path / "bench.journal")
    first = reader.after(0, 1)[0].body
    reader.close()
    assert b"clock_synchronised" not in first, "left out where it is not known"
