"""A disk that is really full: nothing stored is lost, and a stop still ends cleanly."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from capture.clock import SystemClock
from capture.errors import JournalFull
from capture.journal import Writer
from capture.journal.verify import verify

CHILD = Path(__file__).with_name("full_disk_child.py")
ALONE = ["unshare", "--map-root-user", "--mount"]


@pytest.fixture
def on_a_full_disk(tmp_path):
    """Run the child on a small file system of its own; give what it says."""
    if subprocess.run([*ALONE, "true"], capture_output=True, check=False).returncode:
        pytest.skip("NOT TESTED: this host lets nobody make a small disk (`unshare --mount`)")

    def run(ending):
        done = subprocess.run(
            [*ALONE, sys.executable, "-P", str(CHILD), str(tmp_path), ending],
            capture_output=True,
            text=True,
            timeout=100,
            check=False,
        )
        assert done.returncode == 0, done.stderr[-3000:]
        return json.loads(done.stdout.splitlines()[-1])

    return run


def test_a_worker_waits_for_room_and_then_goes_on_with_a_gap_entry(on_a_full_disk):
    said = on_a_full_disk("room")
    assert "the disk is full" in said["reason"]
    assert said["taking"] is False
    assert said["reserve_when_full"] == 4 << 20, "readings do not use up what is kept for the end"
    assert said["values"] == list(range(1, 4001))
    assert said["gaps"]
    assert all("the journal took no readings" in gap for gap in said["gaps"])
    assert said["reserve_is_there"]
    assert said["faults"] == []


def test_a_stop_on_a_full_disk_stores_what_is_held_and_its_gap(on_a_full_disk):
    said = on_a_full_disk("stop")
    assert said["worker_ended"]
    assert said["writer_ended"]
    assert (said["reserve"], said["reserve_is_there"]) == ("given up", False)
    count = len(said["values"])
    assert said["values"] == list(range(1, count + 1))
    # One batch was being committed and one had been captured; both were held, nothing else read.
    assert said["stored_when_full"] < count <= said["stored_when_full"] + 2
    assert len(said["gaps"]) == 1
    assert said["faults"] == []


def test_the_writer_says_that_it_takes_nothing_and_when_it_does_again(path, drafts):
    """The limit is SQLite's own on the number of pages; its error is the one of a full disk."""
    writer = Writer(path, SystemClock(), lambda: None, reserve=1 << 16)
    pages = writer._store._connection.execute("PRAGMA page_count").fetchone()[0]
    writer._store._connection.execute(f"PRAGMA max_page_count = {pages + 10}")
    writer.start()
    stored = 0
    try:
        refused = None
        for _ in range(100):
            try:
                stored += len(writer.append(drafts(5)))
            except JournalFull as error:
                refused = error
                break
        assert "disk is full" in str(refused)
        assert not writer.health.taking
        assert "disk is full" in writer.health.reason
        assert writer.health.refused == 1
        writer._store._connection.execute("PRAGMA max_page_count = 100000")
        stored += len(writer.append(drafts(5)))
        assert (writer.health.taking, writer.health.reason) == (True, "")
    finally:
        assert writer.stop(5)
    assert verify(path).entries == stored


def test_a_disk_that_becomes_full_during_the_stop_gets_the_reserve_back(path, drafts, wait_until):
    """SQLite's page limit stays where it is, so the batch is refused all the same; what is seen is
    that the reserve was given up for it."""
    writer = Writer(path, SystemClock(), lambda: None, reserve=1 << 16)
    writer.start()
    reserve = path.with_name("bench.journal.reserve")
    try:
        writer.append(drafts(1))
        wait_until(lambda: writer.health.reserve == "held")
        writer.prepare_to_stop()
        assert reserve.exists()
        pages = writer._store._connection.execute("PRAGMA page_count").fetchone()[0]
        writer._store._connection.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(JournalFull):
            writer.append(drafts(2000))
        assert not reserve.exists()
        assert writer.health.reserve == "given up"
    finally:
        assert writer.stop(5)
    assert verify(path).entries == 1
