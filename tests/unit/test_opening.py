"""Whoever opens a journal to write looks at its log first, as the daemon does."""

import errno
import json
import os
import subprocess
import sys
from contextlib import ExitStack

import pytest

from capture.app import Daemon
from capture.clock import ManualClock
from capture.config import Config
from capture.errors import JournalError, JournalFull
from capture.filelock import FileLock
from capture.journal import JournalReader, Store
from capture.journal.beside import lock_of, log_of, look_lock_of
from capture.journal.broken_log import keep_broken_log, untold
from capture.opening import (
    daemon_lock,
    look_at_file,
    look_before_writing,
    looking,
    tell_of_broken_log,
)

FRAME, PAGE = 24, 4096


@pytest.fixture
def killed(tmp_path, drafts):
    """A journal as a killed daemon leaves it, a bit of its log changed; eight commits in the log."""
    return left_by_a_kill(tmp_path, drafts)


def left_by_a_kill(folder, drafts, *, broken=True):
    path = folder / "benchtally.journal"
    store = Store(path)
    store.append(drafts(2))
    assert store.empty_log()
    for _ in range(8):
        store.append(drafts(1))
    kept = path.read_bytes(), bytearray(log_of(path).read_bytes())
    store.close()
    if broken:
        kept[1][32 + 100] ^= 1  # in the first frame: nothing of it holds
    path.write_bytes(kept[0])
    log_of(path).write_bytes(kept[1])
    return path


@pytest.fixture
def config(tmp_path):
    made = Config(site="sawmill", bench="bench-1", journal={"path": "benchtally.journal"})
    made._folder = tmp_path
    return made


def now():
    return ManualClock().utc()


def entries(path):
    reader = JournalReader(path)
    try:
        return [(row.kind, json.loads(row.body)) for row in reader.after(0, 100)]
    finally:
        reader.close()


def test_what_is_lost_is_kept_and_told_before_anything_is_written(killed, config):
    log = log_of(killed).read_bytes()
    broken = look_before_writing(config, ManualClock())
    assert (broken.commits, broken.last) == (8, 2)
    assert broken.kept.read_bytes() == log
    kinds = entries(killed)
    assert [kind for kind, _ in kinds] == ["reading", "reading", "gap"]
    assert "8 commits after entry 2" in kinds[2][1]["reason"]
    assert look_before_writing(config, ManualClock()) is None


def test_cursors_are_held_back_so_that_what_is_written_next_is_delivered(killed, config):
    """Its numbers were used before: a cursor that has passed them would skip it."""
    reader = JournalReader(killed)
    cursor = killed.with_name(killed.name + ".delivered")
    cursor.write_text(json.dumps({"journal": reader.journal_id, "delivered": 10}))
    reader.close()
    look_before_writing(config, ManualClock())
    assert json.loads(cursor.read_text())["delivered"] == 2


def test_where_a_daemon_runs_it_has_looked(killed, config):
    lock = FileLock(killed.with_name(killed.name + ".lock"))
    assert lock.try_take()
    before = log_of(killed).read_bytes()
    assert look_before_writing(config, ManualClock()) is None
    assert log_of(killed).read_bytes() == before
    lock.release()
    assert look_before_writing(config, ManualClock()) is not None


def test_a_daemon_can_start_after_the_look(killed, config):
    look_before_writing(config, ManualClock())
    assert FileLock(killed.with_name(killed.name + ".lock")).try_take()


class Looked(Exception):
    """The daemon has the lock."""


@pytest.mark.parametrize("moments", [1, 9])
def test_a_daemon_that_starts_during_the_look_waits_for_its_end(
    tmp_path, config, monkeypatch, moments
):
    """It begins at once, or a second later by itself: no person needs to start it again."""
    command = daemon_lock(config.journal_path)
    assert command.try_take()
    waited = []

    class Waiting(ManualClock):
        def wait(self, _event, seconds):
            waited.append(seconds)
            if len(waited) == moments:
                command.release()
            return False

    def looked(_daemon):
        raise Looked

    monkeypatch.setattr(Daemon, "_look_at_the_journal", looked)
    with pytest.raises(Looked):
        Daemon(config, Waiting())
    assert len(waited) == moments


def test_a_daemon_beside_another_one_says_so(config):
    other = daemon_lock(config.journal_path)
    assert other.try_take()
    with pytest.raises(JournalError, match="runs a daemon on this journal"):
        Daemon(config, ManualClock())
    other.release()


def test_a_whole_log_is_left_as_it_is(tmp_path, drafts, config):
    path = left_by_a_kill(tmp_path, drafts, broken=False)
    assert look_before_writing(config, ManualClock()) is None
    assert len(entries(path)) == 10
    assert not list(tmp_path.glob("*.log-*"))


def test_where_there_is_no_log_nothing_is_made(tmp_path, config):
    assert look_before_writing(config, ManualClock()) is None
    assert list(tmp_path.iterdir()) == []


def test_where_a_log_cannot_be_kept_nothing_is_opened(killed, config):
    kept = killed.with_name(f"{killed.name}.log-{now():%Y%m%dT%H%M%SZ}")
    kept.write_bytes(b"the one before")
    before = log_of(killed).read_bytes()
    with pytest.raises(JournalError, match="File exists"):
        look_before_writing(config, ManualClock())
    assert log_of(killed).read_bytes() == before


# ── one looks at a time ──────────────────────────────────────────────────────────────────────


class Waiting(ManualClock):
    """A clock that does something when somebody has waited so many times."""

    def __init__(self, times, act):
        super().__init__()
        self.left, self.act = times, act

    def wait(self, event, seconds):
        self.left -= 1
        if not self.left:
            self.act()
        return super().wait(event, seconds)


def test_a_command_waits_for_the_look_of_another_one_and_then_finds_nothing_to_tell(killed, config):
    """The first one's look has everything in the journal before the second may write."""
    first = ExitStack()
    first.enter_context(looking(killed, ManualClock()))

    def end():
        broken = keep_broken_log(killed, now())
        tell_of_broken_log(config, broken, now())
        first.close()

    clock = Waiting(3, end)
    assert look_before_writing(config, clock) is None
    assert clock.left == 0, "it waited until the first was done, and no longer"
    assert [kind for kind, _ in entries(killed)] == ["reading", "reading", "gap"]


def test_it_waits_where_the_first_look_has_already_ended_the_log(killed, config):
    """SQLite deletes the log before the cursors are held back: to append then would lose it."""
    first = ExitStack()
    first.enter_context(looking(killed, ManualClock()))
    broken = keep_broken_log(killed, now())
    assert not log_of(killed).exists()

    def end():
        tell_of_broken_log(config, broken, now())
        first.close()

    clock = Waiting(2, end)
    assert look_before_writing(config, clock) is None
    assert clock.left == 0


def test_a_command_waits_for_the_look_of_a_daemon_that_is_starting(killed, config):
    daemon = ExitStack()
    daemon.enter_context(looking(killed, ManualClock()))
    assert daemon_lock(killed).try_take()  # held until the end of the test, as by a running daemon
    clock = Waiting(2, daemon.close)
    before = log_of(killed).read_bytes()
    assert look_before_writing(config, clock) is None
    assert clock.left == 0
    assert log_of(killed).read_bytes() == before


def test_a_look_that_does_not_end_is_told_of_in_one_line(killed, config):
    before = log_of(killed).read_bytes()
    clock = ManualClock()
    begin = clock.monotonic()
    with (
        looking(killed, ManualClock()),
        pytest.raises(JournalError, match=f"process {os.getpid()} has been looking") as refused,
    ):
        look_before_writing(config, clock)
    assert "\n" not in str(refused.value)
    assert clock.monotonic() - begin == pytest.approx(30, abs=0.1)
    assert log_of(killed).read_bytes() == before
    assert look_before_writing(config, ManualClock()) is not None


def test_a_daemon_that_waited_in_vain_for_a_look_lets_go_of_everything(config):
    with (
        looking(config.journal_path, ManualClock()),
        pytest.raises(JournalError, match="has been looking at its log"),
    ):
        Daemon(config, ManualClock())
    assert daemon_lock(config.journal_path).try_take()


def test_a_daemon_looks_alone(config, monkeypatch):
    """While it does, no command may; once it has, every command may go on beside it."""
    seen = []

    def look(_daemon):
        seen.append(FileLock(look_lock_of(config.journal_path)).try_take())
        raise Looked

    monkeypatch.setattr(Daemon, "_look_at_the_journal", look)
    with pytest.raises(Looked):
        Daemon(config, ManualClock())
    assert seen == [False]
    assert FileLock(look_lock_of(config.journal_path)).try_take()


LOOKS = """
import sys
from importlib import import_module
from pathlib import Path
from capture.clock import ManualClock
from capture.opening import look_at_file

def stop(*_):
    print("in the middle", flush=True)
    sys.stdin.read()

setattr(import_module(sys.argv[2]), sys.argv[3], stop)
look_at_file(Path(sys.argv[1]), ManualClock())
"""


@pytest.mark.parametrize(
    "before",
    [
        ("capture.opening", "keep_broken_log"),
        ("capture.journal.broken_log", "connect"),
        ("capture.opening", "hold_cursors_back"),
        ("capture.journal.broken_log", "Transaction"),
    ],
    ids=[
        "at its beginning",
        "once the log has its second name",
        "once SQLite has deleted the log",
        "before the gaps are stored",
    ],
)
def test_a_process_killed_in_the_middle_of_its_look_leaves_nothing_stuck(killed, config, before):
    log = log_of(killed).read_bytes()
    child = subprocess.Popen(
        [sys.executable, "-P", "-c", LOOKS, str(killed), *before],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    with child:
        assert child.stdout.readline() == b"in the middle\n"
        with pytest.raises(JournalError, match=f"process {child.pid} has been looking"):
            look_before_writing(config, ManualClock())
        child.kill()
        child.wait()
    clock = ManualClock()
    clock.advance(60)
    begin = clock.monotonic()
    broken = look_before_writing(config, clock)
    assert clock.monotonic() == begin, "nothing was waited for"
    assert (broken.commits, broken.last) == (8, 2)
    assert list(killed.parent.glob("*.log-*")) == [broken.kept], "one copy, whoever made it"
    assert broken.kept.read_bytes() == log
    assert [kind for kind, _ in entries(killed)] == ["reading", "reading", "gap"]
    assert FileLock(lock_of(killed)).try_take()
    assert look_before_writing(config, clock) is None, "it is told of once"
    assert not untold(killed)


def test_what_a_full_disk_kept_from_being_told_is_told_by_the_next_one(killed, config, monkeypatch):
    """The log is gone by then, and its cursors would pass what is written next."""
    reader = JournalReader(killed)
    cursor = killed.with_name(killed.name + ".delivered")
    cursor.write_text(json.dumps({"journal": reader.journal_id, "delivered": 10}))
    reader.close()

    def full(*_arguments, **_more):
        raise JournalFull("the disk has no room left")

    with monkeypatch.context() as patch:
        patch.setattr("capture.opening.hold_cursors_back", full)
        for _ in range(2):
            with pytest.raises(JournalFull):
                look_before_writing(config, ManualClock())
    assert not log_of(killed).exists()
    assert json.loads(cursor.read_text())["delivered"] == 10
    broken = look_before_writing(config, ManualClock())
    assert (broken.commits, broken.last) == (8, 2)
    assert broken.since is not None
    assert broken.kept.exists()
    assert json.loads(cursor.read_text())["delivered"] == 2
    assert [kind for kind, _ in entries(killed)] == ["reading", "reading", "gap"]
    assert look_before_writing(config, ManualClock()) is None


def test_a_disk_that_has_no_room_for_who_looks_keeps_nobody_from_looking(
    killed, config, monkeypatch
):
    """A command that opened the journal unlooked would let SQLite delete what is to be told of."""

    def full(*_arguments):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr("capture.filelock.os.write", full)
        assert look_before_writing(config, ManualClock()) is not None
    assert [kind for kind, _ in entries(killed)] == ["reading", "reading", "gap"]
    assert FileLock(look_lock_of(killed)).try_take(), "and nobody holds it on"
    assert FileLock(lock_of(killed)).try_take()


def test_a_daemon_tells_what_a_command_found_and_could_not_tell(killed, config, monkeypatch):
    keep_broken_log(killed, now())

    def looked(*_arguments):
        raise Looked

    monkeypatch.setattr("capture.app.Writer", looked)
    with pytest.raises(Looked):
        Daemon(config, ManualClock())
    assert [kind for kind, _ in entries(killed)] == ["reading", "reading", "gap"]
    assert not untold(killed)


def test_what_was_found_of_another_journal_is_not_told_of_this_one(killed, config, drafts):
    with looking(killed, ManualClock()):
        keep_broken_log(killed, now())
    assert untold(killed)
    killed.unlink()
    store = Store(killed)
    store.append(drafts(2))
    store.close()
    assert look_before_writing(config, ManualClock()) is None
    assert [kind for kind, _ in entries(killed)] == ["reading", "reading"]
    assert not untold(killed)


@pytest.mark.parametrize(
    "name",
    [
        "",
        "x",
        "20260105T080000Z-8-2-x",
        "-".join(["20260105T080000Z", "9" * 400, "2", "0" * 32])[:200],
    ],
)
def test_a_note_that_says_nothing_is_passed_over(killed, config, name):
    look_before_writing(config, ManualClock())
    killed.with_name(f"{killed.name}.untold-{name}").touch()
    killed.with_name(f"{killed.name}.look.lock").touch()
    assert look_before_writing(config, ManualClock()) is None
    assert [kind for kind, _ in entries(killed)] == ["reading", "reading", "gap"]


# ── a journal of which only the file is known ────────────────────────────────────────────────


def test_a_file_alone_tells_of_what_is_missing_under_its_own_site_and_bench(killed):
    broken = look_at_file(killed, ManualClock())
    assert (broken.commits, broken.last) == (8, 2)
    found = entries(killed)
    first, last = found[0][1], found[-1][1]
    assert [kind for kind, _ in found] == ["reading", "reading", "gap"]
    assert (last["site"], last["bench"]) == (first["site"], first["bench"])
    assert last["instrument"] == first["instrument"]
    assert look_at_file(killed, ManualClock()) is None


def test_a_file_of_which_no_entry_is_left_has_no_instrument_to_tell_of(tmp_path, drafts):
    path = tmp_path / "benchtally.journal"
    store = Store(path)
    assert store.empty_log()
    for _ in range(8):
        store.append(drafts(1))
    kept = path.read_bytes(), bytearray(log_of(path).read_bytes())
    store.close()
    kept[1][32 + 100] ^= 1
    path.write_bytes(kept[0])
    log_of(path).write_bytes(kept[1])
    broken = look_at_file(path, ManualClock())
    assert (broken.commits, broken.last) == (8, 0)
    assert broken.kept.read_bytes() == kept[1]
    assert entries(path) == []
