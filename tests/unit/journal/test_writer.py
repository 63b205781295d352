"""The writer thread: many callers, one failure kept to itself, a stop that loses nothing."""

import contextlib
import queue
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from capture.clock import SystemClock
from capture.errors import JournalDamaged, JournalError, JournalFull
from capture.journal import Expectation, JournalReader, StaleError, Store, Writer
from capture.journal.store import MOST_PAGES


@pytest.fixture
def commits():
    return []


@pytest.fixture
def writer(path, commits):
    made = Writer(path, SystemClock(), lambda: commits.append(1))
    made.start()
    yield made
    assert made.stop(5)


def test_append_returns_after_the_commit(writer, commits, drafts, look):
    assert [stored.sequence for stored in writer.append(drafts(3))] == [1, 2, 3]
    assert look.check() == 3
    assert len(commits) == 1


def test_whoever_is_told_of_a_commit_may_ask_for_a_lone_reading(path, drafts):
    told = queue.SimpleQueue()
    writer = Writer(path, SystemClock(), lambda: told.put(writer.news))
    writer.start()
    try:
        one, *two = drafts(3)
        writer.append([one])
        reader = JournalReader(path)
        assert [told.get(timeout=5)] == reader.after(0, 10)
        reader.close()
        writer.append(two)
        assert told.get(timeout=5) is None
        writer.append([one])  # known already: nothing was stored
        assert told.get(timeout=5) is None
        writer.append(drafts(1, "ohm-2"))
        assert told.get(timeout=5).n == 4
        other = Store(path)
        other.append(drafts(1, "ohm-3"))
        other.close()
        assert told.get(timeout=5) is None
    finally:
        assert writer.stop(5)


def test_many_threads_append_at_once(writer, drafts, look):
    def run(name):
        found = []
        for _ in range(20):
            found += [stored.sequence for stored in writer.append(drafts(3, name))]
        return found

    with ThreadPoolExecutor(6) as pool:
        results = list(pool.map(run, [f"meter-{n}" for n in range(6)]))
    assert results == [list(range(1, 61))] * 6
    assert look.check() == 360


def test_one_callers_failure_stays_with_it(writer, drafts, monkeypatch, look):
    """Batches that share a transaction with a bad one are stored by themselves."""
    held, release = threading.Event(), threading.Event()
    append = writer._store.append

    def slow_at_first(batch):
        if not held.is_set():
            held.set()
            release.wait(60)
        if any(entry.instrument == "bad" for entry in batch):
            raise JournalFull("no room for this one")
        return append(batch)

    monkeypatch.setattr(writer._store, "append", slow_at_first)
    with ThreadPoolExecutor(4) as pool:
        first = pool.submit(writer.append, drafts(1, "first"))
        assert held.wait(60)
        good = pool.submit(writer.append, drafts(2, "good"))
        bad = pool.submit(writer.append, drafts(2, "bad"))
        other = pool.submit(writer.append, drafts(2, "other"))
        release.set()
        assert first.result(5)[0].sequence == 1
        assert [stored.sequence for stored in good.result(5)] == [1, 2]
        assert [stored.sequence for stored in other.result(5)] == [1, 2]
        with pytest.raises(JournalFull):
            bad.result(5)
    monkeypatch.undo()
    assert look.check() == 5


def test_what_is_no_journal_error_reaches_the_caller_as_one(writer, drafts, monkeypatch):
    def broken(batch):
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(writer._store, "append", broken)
    with pytest.raises(JournalError, match="ZeroDivisionError: a bug"):
        writer.append(drafts(1))
    monkeypatch.undo()
    assert writer.append(drafts(1))[0].sequence == 1


def test_entries_of_other_processes_are_noticed(writer, path, commits, drafts, wait_until):
    other = Store(path)
    other.append(drafts(1))
    other.close()
    wait_until(lambda: commits, 2)


def test_a_listener_that_fails_does_not_end_the_journal(path, drafts):
    def broken():
        raise RuntimeError("a listener's own bug")

    writer = Writer(path, SystemClock(), broken)
    writer.start()
    try:
        for n in range(1, 4):
            with ThreadPoolExecutor(1) as pool:
                assert pool.submit(writer.append, drafts(1)).result(5)[0].sequence == n
    finally:
        assert writer.stop(5)


def test_after_a_stop_nothing_is_taken(path, drafts):
    writer = Writer(path, SystemClock(), lambda: None)
    writer.start()
    assert writer.stop(5)
    with pytest.raises(JournalError, match="closed"):
        writer.append(drafts(1))


def test_what_was_handed_over_before_a_stop_is_answered(path, drafts, look, monkeypatch):
    writer = Writer(path, SystemClock(), lambda: None)
    held, release = threading.Event(), threading.Event()
    append = writer._store.append

    def slow(batch):
        held.set()
        release.wait(60)
        return append(batch)

    monkeypatch.setattr(writer._store, "append", slow)
    writer.start()
    with ThreadPoolExecutor(3) as pool:
        one = pool.submit(writer.append, drafts(1, "one"))
        assert held.wait(60)
        two = pool.submit(writer.append, drafts(1, "two"))
        three = pool.submit(writer.stop, 5)
        release.set()
        assert one.result(5)[0].sequence == 1
        stored = 1
        with contextlib.suppress(JournalError):
            stored += len(two.result(5))
        assert three.result(5)
    assert look.check() == stored


def test_a_stop_in_the_middle_of_an_append_leaves_no_caller_waiting(path, drafts):
    """The stop falls between the look at "closed" and the handing over."""
    writer = Writer(path, SystemClock(), lambda: None)
    writer.start()
    closed, stoppers = writer._closed, []

    class StopsMeanwhile:
        def is_set(self):
            found = closed.is_set()
            if not stoppers:
                stoppers.append(threading.Thread(target=writer.stop, args=(5,)))
                stoppers[0].start()
                writer._thread.join(0.3)
            return found

        def set(self):
            closed.set()

    writer._closed = StopsMeanwhile()
    answered = threading.Event()

    def call():
        with contextlib.suppress(JournalError):
            writer.append(drafts(1))
        answered.set()

    caller = threading.Thread(target=call, daemon=True)
    caller.start()
    in_time = answered.wait(30)
    if not in_time:
        writer._refuse_the_rest()
    stoppers[0].join(60)
    caller.join(60)
    assert in_time, "the caller waits for an answer that never comes"


def test_what_expects_a_state_stands_or_falls_by_itself(writer, drafts, monkeypatch, look):
    """In one group, a stale batch is refused, and the others are stored."""
    held, release = threading.Event(), threading.Event()
    append = writer._store.append

    def slow_at_first(batch, **more):
        if not held.is_set():
            held.set()
            release.wait(60)
        return append(batch, **more)

    monkeypatch.setattr(writer._store, "append", slow_at_first)
    with ThreadPoolExecutor(4) as pool:
        first = pool.submit(writer.append, drafts(1, "first"))
        assert held.wait(60)
        good = pool.submit(writer.append, drafts(2, "good"))
        fits = pool.submit(writer.append, drafts(1, "fits"), Expectation("job", "a", 0))
        stale = pool.submit(writer.append, drafts(1, "stale"), Expectation("job", "a", 7))
        release.set()
        assert len(first.result(5)) == 1
        assert len(good.result(5)) == 2
        assert len(fits.result(5)) == 1
        with pytest.raises(StaleError):
            stale.result(5)
    assert {row[3] for row in look.entries()} == {"first", "good", "fits"}


def test_the_log_is_moved_into_the_file_while_nobody_waits(writer, drafts, look, path):
    """Six pages a commit: SQLite would do it within every 267th, which then takes many times as long."""
    for _ in range(700):
        writer.append(drafts(1))
    assert look.check() == 700
    length = path.with_name(path.name + "-wal").stat().st_size
    # A frame of the log is a page and 24 bytes (SQLite file format, 4.1); it is begun anew where
    # everything is moved, and never made shorter meanwhile.
    assert length < 0.8 * MOST_PAGES * (4096 + 24)


def test_a_log_that_cannot_be_moved_costs_no_reading(writer, drafts, look, monkeypatch):
    failed = []

    def refuse():
        failed.append(1)
        raise JournalFull("no room to move it to")

    monkeypatch.setattr(writer._store, "move_log", refuse)
    for _ in range(300):
        writer.append(drafts(1))
    assert failed
    assert look.check() == 300


def test_damage_that_is_met_in_moving_the_log_is_told(writer, drafts, monkeypatch, wait_until):
    def refuse():
        raise JournalDamaged("a page that is none")

    monkeypatch.setattr(writer._store, "move_log", refuse)
    for _ in range(140):
        writer.append(drafts(1))
    wait_until(lambda: writer.health.damaged)
