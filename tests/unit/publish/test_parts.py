"""The parts of the publisher: flight, cursor, feed, reporter, topics."""

import json
import os
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from capture.clock import ManualClock
from capture.journal import Row
from capture.publish.cursor import Cursor
from capture.publish.feed import Feed
from capture.publish.flight import Flight, Kind, Sent
from capture.publish.progress import delivered_by, hold_back, known_journal, set_aside_ahead
from capture.publish.report import Report, Reporter
from capture.publish.topics import Topics, bench_state

# ── flight ───────────────────────────────────────────────────────────────────────────────────


def entry(n):
    return Sent(Kind.ENTRY, Row(n, n.to_bytes(16), "reading", "ohm-1", "resistance", b"{}"), "t")


def send(flight, mid, n):
    flight.expect(n)
    flight.sent(mid, entry(n))


def acknowledged(flight, mid):
    sent = flight.answered(mid)
    return None if sent is None or sent.row is None else flight.done(sent.row.n)


def test_the_cursor_moves_over_acknowledged_entries_without_a_hole():
    flight = Flight()
    for mid, n in ((1, 10), (2, 11), (3, 13)):
        send(flight, mid, n)
    assert acknowledged(flight, 2) is None
    assert len(flight) == 2
    assert acknowledged(flight, 1) == 11
    assert acknowledged(flight, 3) == 13
    assert len(flight) == 0


def test_states_take_room_and_move_nothing():
    flight = Flight()
    flight.sent(1, Sent(Kind.STATE, None, "t"))
    send(flight, 2, 5)
    assert len(flight) == 2
    assert (flight.count(Kind.STATE), flight.count(Kind.ENTRY)) == (1, 1)
    assert acknowledged(flight, 1) is None
    assert acknowledged(flight, 2) == 5
    assert (flight.count(Kind.STATE), flight.count(Kind.ENTRY)) == (0, 0)


def test_an_acknowledgement_of_nothing_and_a_second_one_change_nothing():
    flight = Flight()
    send(flight, 1, 5)
    assert flight.answered(9) is None
    assert acknowledged(flight, 1) == 5
    assert flight.answered(1) is None


def test_after_forgetting_the_order_the_same_entries_can_be_sent_again():
    flight = Flight()
    for mid, n in ((1, 5), (2, 6)):
        send(flight, mid, n)
    assert acknowledged(flight, 2) is None
    flight.answered(1)  # refused
    flight.forget_order()
    for mid, n in ((3, 5), (4, 6)):
        send(flight, mid, n)
    assert acknowledged(flight, 3) == 5
    assert acknowledged(flight, 4) == 6


@given(order=st.permutations(range(1, 15)))
def test_in_any_order_the_newest_entry_without_a_hole_is_reached(order):
    flight = Flight()
    for n in range(1, 15):
        send(flight, n, 100 + n)
    done, reached = set(), 0
    for mid in order:
        done.add(mid)
        answer = acknowledged(flight, mid)
        whole = next(n for n in range(15) if n + 1 not in done)
        if answer is not None:
            reached = answer - 100
        assert reached == whole


# ── cursor ───────────────────────────────────────────────────────────────────────────────────


def test_a_cursor_is_there_after_a_restart(tmp_path):
    cursor = Cursor(tmp_path / "c", "journal-1")
    assert cursor.delivered == 0
    cursor.delivered = 41
    cursor.save(sync=True)
    assert Cursor(tmp_path / "c", "journal-1").delivered == 41
    assert [path.name for path in tmp_path.iterdir()] == ["c"]


def test_a_cursor_is_written_where_it_has_moved_and_synced_once(tmp_path, monkeypatch):
    synced = []
    monkeypatch.setattr("os.fsync", synced.append)
    path = tmp_path / "cursor"
    cursor = Cursor(path, "one")
    assert cursor.unsaved
    cursor.delivered = 17
    cursor.save(sync=False)
    assert not cursor.unsaved
    before = path.stat().st_ino
    cursor.save(sync=False)
    assert path.stat().st_ino == before, "nothing to write"
    for _ in range(3):
        cursor.save(sync=True)
    assert len(synced) == 1, "written before, but not synced"
    cursor.delivered = 18
    assert cursor.unsaved
    for _ in range(3):
        cursor.save(sync=True)
    assert len(synced) == 2
    assert not cursor.unsaved


def test_a_cursor_of_another_journal_is_not_believed(tmp_path):
    cursor = Cursor(tmp_path / "c", "journal-1")
    cursor.delivered = 41
    cursor.save(sync=False)
    assert Cursor(tmp_path / "c", "journal-2").delivered == 0


WHOLE = b'{"journal": "j", "delivered": 41}'


@pytest.mark.parametrize(
    "content",
    [
        *(WHOLE[:cut] for cut in range(len(WHOLE))),
        b"\0" * 40,
        b"\xff\xfe",
        b"41",
        b"null",
        b"[]",
        b'{"journal": "j"}',
        b'{"journal": "j", "delivered": null}',
        b'{"journal": "j", "delivered": "x"}',
        b'{"journal": "j", "delivered": 1e999}',
        b'{"journal": "j", "delivered": NaN}',
        b'{"journal": "j", "delivered": -5}',
        b'{"journal": "j", "delivered": 9223372036854775808}',  # no number that SQLite has
        b'{"journal": "j", "delivered": 1e300}',
        b"[" * 100_000,
        WHOLE + b" " * 1_000_000,
    ],
)
def test_a_torn_cursor_delivers_again_from_the_start(tmp_path, content):
    """Whatever a power cut left: a second delivery, never a loss and never a crash."""
    (tmp_path / "c").write_bytes(content)
    assert Cursor(tmp_path / "c", "j").delivered == 0
    (tmp_path / "b.journal.delivered").write_bytes(content)
    journal = tmp_path / "b.journal"
    assert delivered_by(journal, "j") == {"b.journal.delivered": 0}
    assert known_journal(journal) is None
    assert set_aside_ahead(journal, "j", 0, datetime(2026, 1, 5, tzinfo=UTC)) == []


def test_what_every_cursor_says_is_known_without_opening_one(tmp_path):
    journal = tmp_path / "b.journal"
    (tmp_path / "b.journal.delivered").write_bytes(WHOLE)
    (tmp_path / "b.journal.plant.delivered").write_bytes(WHOLE.replace(b"41", b"7"))
    assert delivered_by(journal, "j") == {"b.journal.delivered": 41, "b.journal.plant.delivered": 7}
    assert delivered_by(journal, "k") == {"b.journal.delivered": 0, "b.journal.plant.delivered": 0}
    assert known_journal(journal) == "j"
    (tmp_path / "b.journal.plant.delivered").write_bytes(WHOLE.replace(b'"j"', b'"k"'))
    assert known_journal(journal) is None


def test_a_cursor_past_the_end_of_its_journal_is_put_back_to_it(tmp_path):
    """Else the entries that are given its numbers again would pass for delivered."""
    journal = tmp_path / "b.journal"
    (tmp_path / "b.journal.delivered").write_bytes(WHOLE)
    (tmp_path / "b.journal.plant.delivered").write_bytes(WHOLE.replace(b"41", b"7"))
    (tmp_path / "b.journal.other.delivered").write_bytes(WHOLE.replace(b'"j"', b'"k"'))
    assert hold_back(journal, "j", 20) == {"b.journal.delivered": 41}
    assert delivered_by(journal, "j") == {
        "b.journal.delivered": 20,
        "b.journal.other.delivered": 0,
        "b.journal.plant.delivered": 7,
    }
    assert delivered_by(journal, "k")["b.journal.other.delivered"] == 41, "of another journal"
    assert hold_back(journal, "j", 20) == {}


def test_of_a_file_that_is_no_cursor_little_is_read(tmp_path):
    """Whatever lies there under that name: a start does not take it into memory."""
    path = tmp_path / "b.journal.delivered"
    path.write_bytes(WHOLE)
    os.truncate(path, 1 << 40)  # a hole: no disk has so many bytes to spare
    assert Cursor(path, "j").delivered == 0
    assert delivered_by(tmp_path / "b.journal", "j") == {path.name: 0}


def test_a_cursor_that_cannot_be_written_is_told_once_and_saved_when_it_can_be(tmp_path):
    """A cursor that is behind costs a second delivery, so it is no reason to end one."""
    folder = tmp_path / "gone"
    with capture_logs() as logs:
        cursor = Cursor(folder / "c", "j")
        for cursor.delivered in (1, 2, 3):
            cursor.save(sync=True)
        folder.mkdir()
        cursor.save(sync=False)
        cursor.save(sync=False)
    assert [each["event"] for each in logs] == ["cursor.not_saved", "cursor.saved_again"]
    assert Cursor(folder / "c", "j").delivered == 3


# ── feed ─────────────────────────────────────────────────────────────────────────────────────


@pytest.fixture
def pipe():
    read_end, write_end = os.pipe()
    ends = [read_end, write_end]

    def close(end):
        ends.remove(end)
        os.close(end)

    clock = ManualClock()
    yield Feed(read_end, clock, drain_s=3.0), write_end, clock, lambda: close(write_end)
    for end in ends:
        os.close(end)


def state(instrument, word):
    return json.dumps({"instrument": instrument, "state": word}).encode()


def test_an_empty_line_says_look(pipe):
    feed, write_end, _, _ = pipe
    feed.look = False
    os.write(write_end, b"\n")
    feed.wait(5)
    assert feed.look
    assert not feed.states_due


def test_states_are_due_once_in_the_order_they_came_and_the_newest_counts(pipe):
    feed, write_end, _, _ = pipe
    os.write(write_end, state("a", "opening") + b"\n" + state("b", "x") + b"\n" + state("a", "run"))
    feed.wait(5)
    assert json.loads(feed.states["a"])["state"] == "opening", "half a line counts for nothing yet"
    os.write(write_end, b"\n")
    feed.wait(5)
    assert list(feed.states_due) == ["a", "b"]
    assert json.loads(feed.states["a"])["state"] == "run"
    feed.states_due.clear()
    feed.all_states_are_due()
    assert list(feed.states_due) == ["a", "b"]


def test_the_end_of_the_pipe_is_the_stop_and_then_time_runs(pipe):
    feed, _, clock, close = pipe
    assert not feed.ended
    close()
    feed.wait(5)
    assert feed.ended
    assert feed.fileno() is None
    assert not feed.time_is_up
    clock.advance(2.9)
    assert not feed.time_is_up
    clock.advance(0.2)
    assert feed.time_is_up
    feed.wait(5)


def test_waiting_for_nothing_ends(pipe):
    feed = pipe[0]
    feed.look = False
    feed.wait(0.01)
    assert not feed.look
    assert not feed.ended


# ── reporter ─────────────────────────────────────────────────────────────────────────────────


def test_a_turn_is_told_at_once_and_progress_now_and_then():
    clock, told = ManualClock(), []
    reporter = Reporter(clock, told.append)
    reporter.update(connected=True, version="5")
    assert told == [Report(connected=True, version="5")]
    for n in range(1, 10):
        reporter.update(delivered=n)
    assert len(told) == 1
    clock.advance(0.5)
    reporter.update(delivered=10)
    assert told[-1].delivered == 10
    reporter.update(connected=False, reason="gone")
    assert (told[-1].connected, told[-1].reason, told[-1].delivered) == (False, "gone", 10)
    reporter.update(nobody_listens=True)
    assert told[-1].nobody_listens
    count = len(told)
    clock.advance(5)
    reporter.update()
    assert len(told) == count, "nothing new is not told"


# ── topics ───────────────────────────────────────────────────────────────────────────────────


def test_the_topics_are_the_documented_ones():
    topics = Topics("sawmill", "bench-1")
    root = "benchtally/v1/sawmill/bench-1"
    assert topics.state == f"{root}/state"
    assert topics.entry("reading", "ohm-1", "resistance") == f"{root}/reading/ohm-1/resistance"
    assert topics.entry("tag", "ohm-1", "") == f"{root}/tag/ohm-1"
    assert topics.entry("gap", "ohm-1", "") == f"{root}/gap/ohm-1"
    assert topics.instrument_state("ohm-1") == f"{root}/instrument/ohm-1/state"


def test_the_benchs_state_says_which_journal_and_when():
    said = json.loads(bench_state("offline", datetime(2026, 1, 5, tzinfo=UTC), "j-1"))
    assert (said["state"], said["time"], said["journal"]) == (
        "offline",
        "2026-01-05T00:00:00.000000Z",
        "j-1",
    )
