"""Whoever opens a journal to write looks at its log first, as the daemon does."""

import json

import pytest
from after_a_kill import entries, left_by_a_kill, now

from capture.clock import ManualClock
from capture.errors import JournalError
from capture.filelock import FileLock
from capture.journal import JournalReader, Store
from capture.journal.beside import log_of
from capture.opening import (
    look_at_file,
    look_before_writing,
)


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
