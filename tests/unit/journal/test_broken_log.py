"""A log of which SQLite takes a part only: told of and kept, unless a power cut explains it."""

import errno
import json
import os
import sqlite3

import journal_entries as make
import pytest

from capture.errors import JournalError
from capture.journal import JournalReader, Store
from capture.journal.aside import damage_of
from capture.journal.broken_log import keep_broken_log, tell_of
from capture.journal.verify import verify

NOW = make.day(30)
HEAD, FRAME, PAGE = 32, 24, 4096


@pytest.fixture
def killed(path, drafts):
    """A journal as a killed daemon leaves it: two entries in the file, eight commits in the log."""
    store = Store(path)
    store.append(drafts(2))
    assert store.empty_log()
    for number in range(3, 11):
        store.append(drafts(1, time=make.day(number)))
    return left_behind(store, path)


def left_behind(store, path):
    """End a store as a kill does: its log stays."""
    log = path.with_name("bench.journal-wal")
    files = path.read_bytes(), log.read_bytes()
    store.close()
    path.write_bytes(files[0])
    log.write_bytes(files[1])
    return log


def entries_in(path):
    reader = JournalReader(path)
    try:
        return [json.loads(row.body) for row in reader.after(0, 100)]
    finally:
        reader.close()


def commits_of(log):
    """Give the numbers of the frames that end a commit, looked up here anew."""
    content = log.read_bytes()
    starts = range(HEAD, len(content), FRAME + PAGE)
    return [n for n, at in enumerate(starts, 1) if content[at + 4 : at + 8] != bytes(4)]


def flip(log, frame, byte=100):
    content = bytearray(log.read_bytes())
    content[HEAD + (frame - 1) * (FRAME + PAGE) + byte] ^= 1
    log.write_bytes(content)


def test_a_whole_log_and_none_are_not_broken(killed, path):
    assert keep_broken_log(path, NOW) is None
    assert len(entries_in(path)) == 10
    killed.unlink(missing_ok=True)
    assert keep_broken_log(path, NOW) is None
    assert keep_broken_log(path.with_name("none"), NOW) is None
    assert not list(path.parent.glob("*.log-*"))


@pytest.mark.parametrize("byte", [0, 4, 8, 16, 23, 24, 3000])
def test_what_was_committed_behind_a_changed_bit_is_kept_and_told_of(killed, path, byte):
    """In whatever part of a frame it is: page, size, salts, checksum, content."""
    ends = commits_of(killed)
    assert len(ends) == 8
    flip(killed, ends[3] + 1, byte)
    before = killed.read_bytes()
    broken = keep_broken_log(path, NOW)
    assert broken.kept.name == "bench.journal.log-20260203T080000Z"
    assert broken.kept.read_bytes() == before
    assert broken.commits in (4, 5), "a changed size looks like one more"
    assert (broken.last, broken.since) == (6, make.day(6))
    assert damage_of(path) is None, "what is left is whole"
    tell_of(path, broken, site="sawmill", bench="bench-1", instruments=["lcr-1"], now=NOW)
    told = entries_in(path)[6:]
    assert [each["instrument"] for each in told] == ["lcr-1", "ohm-1"]
    assert {(each["begin"], each["end"]) for each in told} == {
        ("2026-01-10T08:00:00.000000Z", "2026-02-03T08:00:00.000000Z")
    }
    assert f"{broken.commits} commits after entry 6" in told[0]["reason"]
    assert verify(path, deep=True).ok


@pytest.mark.parametrize("byte", [0, 3, 10, 16, 20, 24, 31])
def test_a_changed_bit_in_the_head_costs_the_whole_log_and_is_told_of(killed, path, byte):
    content = bytearray(killed.read_bytes())
    content[byte] ^= 1
    killed.write_bytes(content)
    broken = keep_broken_log(path, NOW)
    assert (broken.commits, broken.last) == (8, 2)
    assert broken.kept.read_bytes() == content


@pytest.mark.parametrize("cut", [1, 200, FRAME + PAGE])
def test_what_a_power_cut_left_half_written_is_none(killed, path, cut):
    """Nobody was told that the last commit is stored: its sync had not returned."""
    content = killed.read_bytes()
    killed.write_bytes(content[:-cut])
    assert keep_broken_log(path, NOW) is None
    assert len(entries_in(path)) == 9


def test_one_commit_whose_frames_came_to_the_disk_in_another_order_is_none(killed, path):
    ends = commits_of(killed)
    assert ends[-1] - ends[-2] > 1
    flip(killed, ends[-2] + 1)
    assert keep_broken_log(path, NOW) is None
    assert len(entries_in(path)) == 9


def test_frames_of_a_log_that_was_begun_anew_are_none(path, drafts):
    """They were in the file before the new ones were written over them."""
    store = Store(path)
    for _ in range(8):
        store.append(drafts(1))
    other = sqlite3.connect(path)
    other.execute("PRAGMA wal_checkpoint(RESTART)")  # the log keeps its length
    other.close()
    store.append(drafts(1))
    log = left_behind(store, path)
    assert len(commits_of(log)) > 4, "the old ones are still there"
    assert keep_broken_log(path, NOW) is None
    assert len(entries_in(path)) == 9


def test_a_damaged_file_is_left_to_who_sets_it_aside(killed, path):
    flip(killed, 2)
    path.write_bytes(b"no database, but as long as one. " * 1000)
    assert keep_broken_log(path, NOW) is None
    path.write_bytes(b"")
    assert keep_broken_log(path, NOW) is None


def test_what_is_kept_stays_as_it_was_while_another_program_has_the_log(killed, path, drafts):
    ends = commits_of(killed)
    flip(killed, ends[3] + 1)
    before = killed.read_bytes()
    other = sqlite3.connect(path)
    other.execute("SELECT count(*) FROM entries").fetchone()
    broken = keep_broken_log(path, NOW)
    store = Store(path)
    store.append(drafts(1))
    assert killed.read_bytes() != before
    assert broken.kept.read_bytes() == before
    other.close()
    store.close()


@pytest.fixture
def no_links(monkeypatch):
    def refused(*_):
        raise OSError(errno.EPERM, "no hard links here")

    monkeypatch.setattr(os, "link", refused)


def test_without_hard_links_it_is_copied(killed, path, no_links):
    flip(killed, 2)
    before = killed.read_bytes()
    assert keep_broken_log(path, NOW).kept.read_bytes() == before


def test_a_log_that_cannot_be_kept_is_not_read_either(killed, path, no_links, monkeypatch):
    """To read it is to lose it: SQLite deletes it when the journal is closed."""
    flip(killed, 2)
    before = killed.read_bytes()

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("shutil.copy2", full)
    with pytest.raises(JournalError, match="No space left on device"):
        keep_broken_log(path, NOW)
    assert killed.read_bytes() == before
    kept = path.with_name("bench.journal.log-20260203T080000Z")
    monkeypatch.undo()
    kept.write_bytes(b"the one before")
    with pytest.raises(JournalError, match="File exists"):
        keep_broken_log(path, NOW)
    assert kept.read_bytes() == b"the one before"
    assert killed.read_bytes() == before


def test_a_whole_log_that_a_reader_holds_is_not_broken(killed, path, drafts):
    """Somebody looks at an older state: not all of the log can be moved into the file then."""
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN")
    other.execute("SELECT count(*) FROM entries").fetchone()
    store = Store(path)
    for _ in range(3):
        store.append(drafts(1))
    assert keep_broken_log(path, NOW) is None
    other.close()
    store.close()
