"""A bench on a small disk of its own that really is full: it says so, and ends cleanly."""

import json
import os
import signal
import subprocess
from pathlib import Path

import harness
import pytest

ALONE = ("unshare", "--map-root-user", "--mount")
MOUNTED = 'mount -t tmpfs -o size=48m none "$1" && shift && exec "$@"'


def fill(path):
    """Write until not one more byte goes in."""
    with path.open("wb", buffering=0) as file:
        for piece in (1 << 16, 1 << 12, 1):
            try:
                while True:
                    file.write(bytes(piece))
            except OSError:
                continue


def test_a_stop_on_a_full_disk_stores_what_is_held_and_says_what_was_missed(rig):
    if subprocess.run([*ALONE, "true"], capture_output=True, check=False).returncode:
        pytest.skip("NOT TESTED: this host lets nobody make a small disk (`unshare --mount`)")
    disk = rig.folder / "disk"
    disk.mkdir()
    counter, lines = rig.counter("line", 500)
    rig.configure(harness.free_port(), lines)  # no broker: everything stays in the journal
    text = rig.config.read_text("utf-8").replace('"bench.journal"', '"disk/bench.journal"')
    rig.config.write_text(text, "utf-8")
    out = rig.folder / "copy.journal"
    # When the daemon has ended, its disk goes with it; so the journal is copied out first.
    script = (
        f'{MOUNTED.replace("exec ", "")}; code=$?; cp "{disk}/bench.journal" "{out}"; exit $code'
    )
    run = [*harness.PYTHON, "-m", "capture.cli", "run", "--config", rig.config]
    shell = [*ALONE, "sh", "-c", script, "sh", disk, *run]
    daemon = rig.own(harness.Child(shell, rig.folder / "daemon.out"))
    inside = Path(f"/proc/{daemon.pid}/root{disk}")
    reserve = inside / "bench.journal.reserve"
    harness.wait_until(
        lambda: reserve.exists() and reserve.stat().st_size == 8 << 20, "all of the reserve"
    )
    fill(inside / "filler")
    harness.wait_until(lambda: "the journal takes no readings" in daemon.said(), "a full disk")
    os.kill(child_of(daemon.pid), signal.SIGTERM)
    assert daemon.wait() == 0, daemon.said()[-3000:]
    events = [json.loads(each) for each in daemon.said().splitlines() if each.startswith("{")]
    names = {event["event"] for event in events}
    assert {"journal.full", "journal.reserve_given_up"} <= names
    assert "worker.readings_not_stored" not in names
    assert "all as they should be" in rig.command("journal", "verify", "--journal", out)
    entries = harness.journal_entries(out)
    digits = [int(each.json()["digits"]) for each in entries if each.kind == "reading"]
    assert digits == list(range(digits[0], digits[0] + len(digits)))
    # The batch that was refused, its gap, and what had been read meanwhile.
    ((at, gap),) = [(n, each.json()) for n, each in enumerate(entries) if each.kind != "reading"]
    assert entries[at].kind == "gap"
    times = [each.json()["time"] for each in entries if each.kind == "reading"]
    assert max(times[:at]) <= gap["begin"]
    assert max(times[at:], default="") <= gap["end"]
    counter.hand("stop")


def child_of(shell):
    """The daemon below the shell that copies its journal out afterwards."""
    children = Path(f"/proc/{shell}/task/{shell}/children").read_text("ascii").split()
    assert len(children) == 1, children
    return int(children[0])
