"""The entry that was just stored, told to the publisher: sent without a look, or looked up."""

import os
import select

import pytest

from capture.clock import ManualClock
from capture.journal import JournalReader, Row, Store
from capture.publish.backlog import Backlog
from capture.publish.feed import Feed
from capture.publish.news import line_of, row_of

ROW = Row(7, bytes(range(16)), "reading", "ohm-1", "resistance", b'{"value":0.8421,"note":"a b"}')


def test_a_line_gives_the_row_back():
    line = line_of(ROW)
    assert line.endswith(b"\n")
    assert line.count(b"\n") == 1
    assert row_of(line[:-1]) == ROW


@pytest.mark.parametrize(
    "row",
    [
        None,
        ROW._replace(body=b'{"note":"a\nb"}'),
        ROW._replace(body=4096 * b"x"),
        ROW._replace(instrument="ohm 1"),
    ],
    ids=["none", "line feed", "long", "space"],
)
def test_what_does_not_fit_into_a_line_is_looked_up(row):
    assert line_of(row) == b"\n"


def test_a_line_fills_no_more_than_a_pipe_takes_in_one_piece():
    room = select.PIPE_BUF - len(line_of(ROW._replace(body=b"")))
    assert len(line_of(ROW._replace(body=room * b"x"))) == select.PIPE_BUF
    assert line_of(ROW._replace(body=(room + 1) * b"x")) == b"\n"


class Told:
    """A publisher's end: a journal of so many readings, and what the daemon tells."""

    def __init__(self, path, drafts, after=0):
        self.store, self.reader = Store(path), JournalReader(path)
        self.store.append(drafts(5))
        self.ours, self.theirs = os.pipe()
        self.clock = ManualClock()
        self.feed = Feed(self.ours, self.clock, 1.0)
        self.backlog = Backlog(self.reader, self.feed, self.clock, after)

    def say(self, data):
        os.write(self.theirs, data)
        self.feed.read()

    def append(self, draft):
        """Store a reading and tell of it, as the daemon does."""
        self.store.append([draft])
        self.say(line_of(self.store.lone))

    def rest(self):
        found = []
        while (row := self.backlog.next_row()) is not None:
            found.append(row)
        return found

    def close(self):
        for end in (self.ours, self.theirs):
            os.close(end)
        self.reader.close()
        self.store.close()


@pytest.fixture
def told(tmp_path, drafts):
    made = Told(tmp_path / "b.journal", drafts)
    yield made
    made.close()


def test_the_entry_that_was_told_is_given_without_a_look(told, drafts, monkeypatch):
    assert [row.n for row in told.rest()] == [1, 2, 3, 4, 5]
    told.append(drafts(1)[0])
    looks = []
    monkeypatch.setattr(told.reader, "after", lambda *a: looks.append(a) or [])
    row = told.backlog.next_row()
    assert not looks
    monkeypatch.undo()
    assert [row] == told.reader.after(5, 10)
    assert told.rest() == []


def test_an_entry_told_while_others_wait_comes_in_its_turn(told, drafts):
    assert told.backlog.next_row().n == 1
    told.append(drafts(1)[0])
    assert [row.n for row in told.rest()] == [2, 3, 4, 5, 6]


def test_an_entry_with_others_before_it_is_looked_up_with_them(told, drafts):
    told.rest()
    told.store.append(drafts(1, "ohm-2"))  # by another program: nobody told of it
    told.append(drafts(1)[0])
    assert [row.n for row in told.rest()] == [6, 7]


def test_of_two_that_were_told_at_once_none_is_passed_over(told, drafts):
    told.rest()
    lines = b""
    for draft in drafts(2):
        told.store.append([draft])
        lines += line_of(told.store.lone)
    told.say(lines)
    assert [row.n for row in told.rest()] == [6, 7]


def test_an_entry_that_was_told_long_ago_is_not_given_again(told, drafts):
    told.rest()
    told.append(drafts(1)[0])
    told.backlog.next_row()
    told.feed.newest = row_of(line_of(told.reader.after(5, 1)[0])[:-1])
    assert told.rest() == []
    told.backlog.rewind(3)
    told.feed.newest = told.reader.after(5, 1)[0]
    assert [row.n for row in told.rest()] == [4, 5, 6]


def test_a_line_in_pieces_and_states_beside_it(told, drafts):
    told.rest()
    told.store.append(drafts(1))
    line = line_of(told.store.lone)
    told.say(b'{"instrument":"a","state":"running"}\n' + line[:9])
    assert told.feed.newest is None
    told.say(line[9:])
    assert told.feed.newest.n == 6
    assert list(told.feed.states) == ["a"]
    told.say(line + b'{"instrument":"b","state":"running"}\n')
    assert told.feed.newest is None, "what came last is no entry: it is looked up"
    assert list(told.feed.states) == ["a", "b"]
    assert [row.n for row in told.rest()] == [6]
