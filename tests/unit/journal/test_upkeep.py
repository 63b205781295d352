"""The log stays short, whoever reads; and what keeps it long is seen, said, and bounded."""

import sqlite3

import pytest

from capture.clock import ManualClock, SystemClock
from capture.errors import JournalError, JournalFull
from capture.journal import Store, Writer
from capture.journal import upkeep as module
from capture.journal.beside import log_of
from capture.journal.upkeep import Upkeep
from capture.journal.verify import verify

MIB = 1 << 20


@pytest.fixture
def clock():
    return ManualClock()


@pytest.fixture
def small(monkeypatch):
    """Make the limits small enough to be reached in a test: 256 KiB, 1 MiB, 2 MiB."""
    monkeypatch.setattr(module, "_SHORT", MIB // 4)
    monkeypatch.setattr(module, "_LONG", MIB)
    monkeypatch.setattr(module, "_MOST", 2 * MIB)


class Reader:
    """Another program that looks at the journal and does not let go."""

    def __init__(self, path):
        self.connection = sqlite3.connect(path, isolation_level=None)

    def hold(self):
        self.connection.execute("BEGIN")
        self.connection.execute("SELECT count(*) FROM entries").fetchone()

    def let_go(self):
        self.connection.execute("COMMIT")


@pytest.fixture
def other(store, path):
    made = Reader(path)
    yield made
    made.connection.close()


def append_for_ever(writer, drafts):
    while True:
        writer.append(drafts(100))


def grow(store, drafts, upkeep, clock, commits=100):
    for _ in range(commits):
        store.append(drafts(20))
        clock.advance(0.1)
        upkeep.look()


def test_the_log_stays_short_where_nobody_holds_it(store, path, drafts, clock, small):
    upkeep = Upkeep(path, clock, store.empty_log, reserve=0)
    grow(store, drafts, upkeep, clock)
    assert upkeep.health.log_peak < 6 * MIB
    assert upkeep.health.log_bytes <= MIB // 4
    assert not upkeep.health.log_held


def test_readers_one_after_another_do_not_let_it_grow(store, path, drafts, clock, small):
    """Some reader is always at work, but each lets go: the log is emptied in between."""
    upkeep = Upkeep(path, clock, store.empty_log, reserve=0)
    readers = [Reader(path), Reader(path)]
    readers[0].hold()
    lengths = []
    for turn in range(100):
        new, old = readers[(turn + 1) % 2], readers[turn % 2]
        store.append(drafts(20))
        if turn % 10 == 9:
            old.let_go()
            clock.advance(1)
            upkeep.look()
            new.hold()
        else:
            old.let_go()
            new.hold()
        lengths.append(log_of(path).stat().st_size)
    assert max(lengths) < 6 * MIB
    for each in readers:
        each.connection.close()


def test_a_reader_that_does_not_let_go_is_seen_and_the_log_is_emptied_after_it(
    store, path, drafts, clock, small, other
):
    upkeep = Upkeep(path, clock, store.empty_log, reserve=0)
    other.hold()
    grow(store, drafts, upkeep, clock)
    held = upkeep.health
    assert held.log_held
    assert held.log_bytes > MIB
    assert upkeep.refusal == "", "there is room enough on this disk"
    other.let_go()
    clock.advance(1)
    upkeep.look()
    assert not upkeep.health.log_held
    assert upkeep.health.log_bytes == 0
    assert upkeep.health.log_peak >= held.log_bytes
    assert verify(path).ok


def test_a_log_that_takes_half_of_the_room_ends_the_storing_until_it_is_let_go(
    store, path, drafts, clock, small, other
):
    """The disk has 8 MiB besides the log at first; what the log takes is gone from it."""
    upkeep = Upkeep(
        path,
        clock,
        store.empty_log,
        reserve=0,
        room=lambda _: max(0, 8 * MIB - log_of(path).stat().st_size),
    )
    other.hold()
    for _ in range(1000):
        store.append(drafts(20))
        clock.advance(1)
        upkeep.look()
        if upkeep.refusal:
            break
    assert "end that program" in upkeep.refusal
    assert 4 * MIB <= log_of(path).stat().st_size < 5 * MIB
    other.let_go()
    clock.advance(1)
    upkeep.look()
    assert upkeep.refusal == ""
    assert log_of(path).stat().st_size == 0


def test_what_is_held_when_a_stop_begins_is_stored_however_long_the_log(path, drafts, small):
    writer = Writer(path, SystemClock(), lambda: None, reserve=0)
    writer._upkeep._room = lambda _: 0
    other = Reader(path)
    other.hold()
    writer.start()
    try:
        with pytest.raises(JournalFull, match="end that program"):
            append_for_ever(writer, drafts)
        writer.prepare_to_stop()
        assert writer.append(drafts(1))[0].n
    finally:
        assert writer.stop(5)
        other.connection.close()


def test_nothing_is_looked_at_more_often_than_twice_a_second(store, path, clock):
    asked = []
    upkeep = Upkeep(path, clock, store.empty_log, room=lambda _: asked.append(1) or 0)
    for _ in range(40):
        upkeep.look()
        clock.advance(0.1)
    assert 7 <= len(asked) <= 8


# ── the reserve ────────────────────────────────────────────────────────────────────────────────


def no_log():
    return True


def test_the_reserve_is_made_of_real_blocks_where_there_is_room(store, path, clock):
    upkeep = Upkeep(path, clock, no_log, reserve=MIB, room=lambda _: 4 * MIB)
    upkeep.look()
    assert upkeep.health.reserve == "held"
    made = path.with_name("bench.journal.reserve").stat()
    assert made.st_size == MIB
    assert made.st_blocks * 512 >= MIB


def test_no_reserve_is_made_where_it_would_be_a_good_part_of_the_room(store, path, clock):
    upkeep = Upkeep(path, clock, no_log, reserve=MIB, room=lambda _: 4 * MIB - 1)
    upkeep.look()
    assert upkeep.health.reserve == "none"
    assert not path.with_name("bench.journal.reserve").exists()


def test_the_reserve_is_given_up_in_a_stop_only_and_only_where_the_disk_is_full(store, path, clock):
    reserve = path.with_name("bench.journal.reserve")
    upkeep = Upkeep(path, clock, no_log, reserve=MIB, room=lambda _: 9 * MIB)
    upkeep.look()
    assert not upkeep.give_up_reserve()
    upkeep.refused("the disk is full", full=True)
    assert not upkeep.give_up_reserve()
    upkeep.committed()
    upkeep.prepare_to_stop()
    assert reserve.exists()
    assert upkeep.give_up_reserve(), "the disk became full during the stop"
    assert not reserve.exists()
    assert not upkeep.give_up_reserve()
    clock.advance(10)
    upkeep.look()
    assert not reserve.exists()


def test_a_log_that_cannot_be_emptied_for_want_of_room_does_no_harm(store, path, clock, small):
    def cannot():
        raise JournalError("the disk is full")

    log_of(path).write_bytes(bytes(2 * MIB))
    upkeep = Upkeep(path, clock, cannot, reserve=0, room=lambda _: 0)
    upkeep.look()
    assert upkeep.health.log_held
    log_of(path).unlink()


def test_emptying_waits_for_a_reader_for_a_moment_only(path, drafts):
    store = Store(path)
    store.append(drafts(5))
    other = Reader(path)
    other.hold()
    store.append(drafts(5))
    assert not store.empty_log()
    assert store._connection.execute("PRAGMA busy_timeout").fetchone()[0] == 5000
    other.let_go()
    assert store.empty_log()
    other.connection.close()
    store.close()
