"""Writer, workers and hands-free capture beat while they come round, and only then."""

import threading
from types import SimpleNamespace

import pytest
from structlog.testing import capture_logs

from capture.clock import SystemClock
from capture.driver import Driver
from capture.errors import JournalDamaged, JournalError
from capture.heartbeat import Heartbeat
from capture.jobs.following import JobWatcher
from capture.journal import Writer
from capture.journal.store import Store
from capture.runtime import Instrument, MessagePolicy, Supervisor


class Shifted(SystemClock):
    """The host's clock, and seconds that a test adds to it."""

    shift = 0.0

    def monotonic(self):
        return super().monotonic() + self.shift


@pytest.fixture
def clock():
    return Shifted()


@pytest.fixture
def writer(tmp_path, clock):
    made = Writer(tmp_path / "b.journal", clock, lambda: None, reserve=0)
    made.start()
    yield made
    assert made.stop(10)


def test_an_idle_writer_beats(writer, clock, wait_until):
    for _ in range(2):
        clock.shift += 1000
        assert writer.heartbeat.age >= 0
        wait_until(lambda: writer.heartbeat.age < 100)


def test_a_writer_that_hangs_in_the_disk_is_late(writer, clock, drafts, monkeypatch, wait_until):
    hanging, go_on = threading.Event(), threading.Event()
    append = Store.append

    def hang(self, *args, **more):
        hanging.set()
        assert go_on.wait(20)
        return append(self, *args, **more)

    monkeypatch.setattr(Store, "append", hang)
    answer = writer.begin(drafts(1))
    try:
        assert hanging.wait(10)
        clock.shift += 31
        assert writer.heartbeat.late
    finally:
        go_on.set()
    answer.result(10)
    wait_until(lambda: not writer.heartbeat.late)


def test_a_writer_whose_thread_died_is_late_and_one_that_was_stopped_is_not(
    tmp_path, clock, monkeypatch
):
    writer = Writer(tmp_path / "b.journal", clock, lambda: None, reserve=0)
    monkeypatch.setattr(threading, "excepthook", lambda _: None)
    monkeypatch.setattr(writer, "_write_forever", lambda: 1 / 0)
    writer.start()
    writer.stop(10)
    clock.shift += 31
    assert writer.heartbeat.late
    other = Writer(tmp_path / "c.journal", clock, lambda: None, reserve=0)
    other.start()
    assert other.stop(10)
    clock.shift += 31
    assert not other.heartbeat.late


@pytest.mark.parametrize("error", [JournalDamaged("page 7 is broken"), JournalError("busy")])
def test_only_damage_is_taken_for_damage(writer, drafts, monkeypatch, error):
    def refuse(*_args, **_more):
        raise error

    monkeypatch.setattr(Store, "append", refuse)
    with pytest.raises(type(error)):
        writer.append(drafts(1))
    expected = "page 7 is broken" if isinstance(error, JournalDamaged) else ""
    assert writer.health.damaged == expected
    assert not writer.health.taking


class Silent:
    """A link on which nothing comes."""

    description = "nothing"

    def __init__(self, on_open=lambda: None):
        self.open = on_open

    def read(self, _limit, timeout):
        threading.Event().wait(min(timeout, 0.01))
        return b"", False

    def write(self, data):
        raise AssertionError(data)

    def resync(self):
        pass

    def close(self):
        pass


class Quiet(Driver):
    """A driver that says nothing."""

    def receive(self, data, end_of_message, now):
        pass

    def next_event(self):
        return None

    def outgoing(self, now):
        return []

    def wake_at(self):
        return None


def supervisor_of(clock, link, on_change=lambda _: None):
    instrument = Instrument(
        "ohm-1", "sawmill", "bench-1", "quiet", "1", None, Quiet, lambda: link, MessagePolicy(())
    )
    store = SimpleNamespace(append=lambda entries: None)
    return Supervisor([instrument], store, clock, on_change)


def test_a_worker_that_hangs_is_silent_and_is_not_lost(clock, wait_until):
    hanging, go_on = threading.Event(), threading.Event()

    def hang():
        hanging.set()
        assert go_on.wait(20)

    supervisor = supervisor_of(clock, Silent(hang))
    supervisor.start()
    try:
        assert hanging.wait(10)
        assert supervisor.silent() == []
        clock.shift += 91
        assert supervisor.silent() == ["ohm-1"]
    finally:
        go_on.set()
    wait_until(lambda: supervisor.silent() == [])
    assert supervisor.lost() == []
    assert supervisor.stop(10) == []
    clock.shift += 91
    assert supervisor.silent() == []


def test_a_worker_that_ends_without_a_word_is_lost(clock, monkeypatch, wait_until):
    monkeypatch.setattr(threading, "excepthook", lambda _: None)

    def break_down():
        raise SystemExit  # what no handler of failures takes

    supervisor = supervisor_of(clock, Silent(break_down))
    supervisor.start()
    wait_until(lambda: supervisor.lost() == ["ohm-1"])
    supervisor.stop(10)


def test_hands_free_capture_that_fails_as_a_whole_begins_again(
    tmp_path, clock, monkeypatch, wait_until
):
    Store(tmp_path / "b.journal").close()
    monkeypatch.setattr("capture.jobs.following._AGAIN", 0.01)
    attempts = []

    def make(_reader):
        attempts.append(1)
        raise ZeroDivisionError

    watcher = JobWatcher(tmp_path / "b.journal", make, clock)
    with capture_logs() as logs:
        watcher.start()
        wait_until(lambda: len(attempts) >= 3)
        clock.shift += 31
        wait_until(lambda: not watcher.heartbeat.late)
        assert watcher.stop(10)
    assert {each["event"] for each in logs} == {"watcher.ended"}
    assert watcher.heartbeat.age is None
    assert watcher.counts == (0, 0)


def test_hands_free_capture_tells_of_damage(tmp_path, clock, monkeypatch, wait_until):
    Store(tmp_path / "b.journal").close()

    def make(_reader):
        raise JournalDamaged("page 7 is broken")

    watcher = JobWatcher(tmp_path / "b.journal", make, clock)
    watcher.start()
    wait_until(lambda: watcher.damaged == "page 7 is broken")
    assert watcher.stop(10)


def test_beats_are_cheap_to_ask_for_from_any_thread(clock):
    heartbeat = Heartbeat(clock, 1)
    heartbeat.beat()
    ages = []
    asking = threading.Thread(target=lambda: ages.extend(heartbeat.age for _ in range(1000)))
    asking.start()
    for _ in range(1000):
        heartbeat.beat()
    asking.join(10)
    assert min(ages) >= 0
