"""One looks at a journal's log at a time; a daemon and commands wait for each other."""

import os
from contextlib import ExitStack

import pytest
from after_a_kill import Looked, entries, now

from capture.app import Daemon
from capture.clock import ManualClock
from capture.errors import JournalError
from capture.filelock import FileLock
from capture.journal.beside import log_of, look_lock_of
from capture.journal.broken_log import keep_broken_log
from capture.opening import (
    daemon_lock,
    look_before_writing,
    looking,
    tell_of_broken_log,
)


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
