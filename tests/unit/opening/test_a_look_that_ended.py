"""What a look that was ended before its time found is told by the next one."""

import errno
import json
import os
import subprocess
import sys

import pytest
from after_a_kill import Looked, entries, now

from capture.app import Daemon
from capture.clock import ManualClock
from capture.errors import JournalError, JournalFull
from capture.filelock import FileLock
from capture.journal import JournalReader, Store
from capture.journal.beside import lock_of, log_of, look_lock_of
from capture.journal.broken_log import keep_broken_log, untold
from capture.opening import (
    look_before_writing,
    looking,
)

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
