"""Whoever opens a journal to write looks at its log first, as the daemon does."""

import json

import pytest

from capture.app import Daemon
from capture.clock import ManualClock
from capture.config import Config
from capture.errors import JournalError
from capture.filelock import FileLock
from capture.journal import JournalReader, Store
from capture.journal.beside import log_of
from capture.opening import daemon_lock, look_before_writing

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
    broken = look_before_writing(config, now())
    assert (broken.commits, broken.last) == (8, 2)
    assert broken.kept.read_bytes() == log
    kinds = entries(killed)
    assert [kind for kind, _ in kinds] == ["reading", "reading", "gap"]
    assert "8 commits after entry 2" in kinds[2][1]["reason"]
    assert look_before_writing(config, now()) is None


def test_cursors_are_held_back_so_that_what_is_written_next_is_delivered(killed, config):
    """Its numbers were used before: a cursor that has passed them would skip it."""
    reader = JournalReader(killed)
    cursor = killed.with_name(killed.name + ".delivered")
    cursor.write_text(json.dumps({"journal": reader.journal_id, "delivered": 10}))
    reader.close()
    look_before_writing(config, now())
    assert json.loads(cursor.read_text())["delivered"] == 2


def test_where_a_daemon_runs_it_has_looked(killed, config):
    lock = FileLock(killed.with_name(killed.name + ".lock"))
    assert lock.try_take()
    before = log_of(killed).read_bytes()
    assert look_before_writing(config, now()) is None
    assert log_of(killed).read_bytes() == before
    lock.release()
    assert look_before_writing(config, now()) is not None


def test_a_daemon_can_start_after_the_look(killed, config):
    look_before_writing(config, now())
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
    assert look_before_writing(config, now()) is None
    assert len(entries(path)) == 10
    assert not list(tmp_path.glob("*.log-*"))


def test_where_there_is_no_log_nothing_is_made(tmp_path, config):
    assert look_before_writing(config, now()) is None
    assert list(tmp_path.iterdir()) == []


def test_where_a_log_cannot_be_kept_nothing_is_opened(killed, config):
    kept = killed.with_name(f"{killed.name}.log-{now():%Y%m%dT%H%M%SZ}")
    kept.write_bytes(b"the one before")
    before = log_of(killed).read_bytes()
    with pytest.raises(JournalError, match="File exists"):
        look_before_writing(config, now())
    assert log_of(killed).read_bytes() == before


# ── by every command that writes ─────────────────────────────────────────────────────────────
