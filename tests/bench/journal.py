"""Rates of verify, export, import, backup, trim and rebuild, and how long the log gets.

    python -P tests/bench/journal.py [--entries N] [--dir DIR]

Each operation runs in a process of its own, so that its peak of memory is its own. On a machine that
others use, the CPU seconds say more than the seconds. The journal is
made of readings as a meter gives them, every tenth with a record name, every tenth with a tag.
"""

import argparse
import os
import platform
import resource
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from capture.clock import SystemClock
from capture.journal import JournalReader, Store, Writer
from capture.journal.backup import backup
from capture.journal.beside import log_of, size_of
from capture.journal.info import look
from capture.journal.rebuild import rebuild
from capture.journal.transfer import export, import_into
from capture.journal.trim import plan, trim
from capture.journal.verify import verify
from capture.model import ReadingDraft, ReadingTag, Streamed, new_id

START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
SOURCE = Streamed(
    driver="ascii-meter",
    driver_version="1",
    profile="resistance-lines",
    link="serial /dev/ttyUSB0, 9600 baud",
)


def reading(n, instruments=4):
    return ReadingDraft(
        id=new_id(),
        site="sawmill",
        bench="bench-1",
        instrument=f"ohm-{n % instruments}",
        time=START + timedelta(milliseconds=n),
        clock_synchronised=True,
        quantity="resistance",
        unit="Ohm",
        value=0.8421,
        digits="842.1",
        shown_unit="mOhm",
        status="ok",
        source=SOURCE,
        record=f"MEM {n}" if n % 10 == 0 else None,
        tag=ReadingTag(machine="FAN-07") if n % 10 == 1 else None,
        raw={"encoding": "ascii", "data": "R 842.1 mOhm\r\n"},
    )


def make(path, count):
    store = Store(path)
    for start in range(0, count, 1000):
        store.append([reading(n) for n in range(start, min(start + 1000, count))])
    store.close()


def do(what, folder):
    """Do one thing, in a process of its own; print seconds, CPU seconds, and peak of memory."""
    path = folder / "bench.journal"
    began, used_before = time.perf_counter(), time.process_time()
    match what:
        case "info":
            look(path)
        case "verify":
            assert verify(path).ok
        case "verify deep":
            assert verify(path, deep=True).ok
        case "export":
            with (folder / "all.jsonl").open("wb") as out:
                export(path, out)
        case "import":
            with (folder / "all.jsonl").open("rb") as lines:
                import_into(folder / "imported.journal", lines)
        case "rebuild":
            assert rebuild(folder / "imported.journal") == {}
        case "backup":
            backup(path, folder / "copy")
        case "trim half":
            imported = folder / "imported.journal"
            last = look(imported).last
            until = START + timedelta(milliseconds=last // 2)
            trim(
                imported,
                lambda: plan(imported, until, {"all": last}),
                to=folder / "cut.jsonl",
                site="sawmill",
                bench="bench-1",
                operator="winder",
                now=datetime.now(UTC),
            )
    took, used = time.perf_counter() - began, time.process_time() - used_before
    print(took, used, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


class Load:
    """A writer that stores ten readings at a time, as fast as one caller can."""

    def __init__(self, path):
        self.path = path
        self.writer = Writer(path, SystemClock(), lambda: None)
        self.count = 0
        self.slowest = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self):
        self.writer.start()
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._stop.set()
        self._thread.join()
        self.writer.stop(30)

    def _run(self):
        while not self._stop.is_set():
            began = time.perf_counter()
            self.count += len(self.writer.append([reading(n) for n in range(10)]))
            self.slowest = max(self.slowest, time.perf_counter() - began)

    def watch(self, seconds):
        """Give the longest log that was seen within this time."""
        longest, never, end = 0, threading.Event(), time.monotonic() + seconds
        while time.monotonic() < end:
            longest = max(longest, size_of(log_of(self.path)))
            never.wait(0.01)
        return longest


def log_lengths(path, seconds=8.0):
    """Print the longest log with no reader, with readers that let go, and with one that does not."""
    print(
        f"\nlog, a writer at full speed for {seconds:g} s each     readings/s  longest MiB  slowest s"
    )

    def say(name, load, longest, took):
        print(
            f"{name:<52} {load.count / took:>10,.0f} {longest / 2**20:>12.1f} {load.slowest:>10.3f}"
        )

    with Load(path) as load:
        say("no reader", load, load.watch(seconds), seconds)
    with Load(path) as load:
        stop = threading.Event()

        def read_on():
            reader = JournalReader(path)
            while not stop.is_set():
                n = 0
                while rows := reader.after(n, 500):
                    n = rows[-1].n
                    if stop.is_set():
                        break
            reader.close()

        readers = [threading.Thread(target=read_on) for _ in range(2)]
        for each in readers:
            each.start()
        longest = load.watch(seconds)
        stop.set()
        for each in readers:
            each.join()
        say("two of our readers, page after page", load, longest, seconds)
    with Load(path) as load:
        began = time.monotonic()
        backup(path, path.with_name("copy-meanwhile"))
        took = time.monotonic() - began
        say(f"a backup ({took:.1f} s, verified)", load, load.writer.health.log_peak, took)
    with Load(path) as load:
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN")
        other.execute("SELECT count(*) FROM meta").fetchone()
        longest = load.watch(seconds)
        held = load.writer.health.log_held
        other.execute("COMMIT")
        other.close()
        never, end = threading.Event(), time.monotonic() + 10
        let_go = time.monotonic()
        while size_of(log_of(path)) > 16 << 20 and time.monotonic() < end:
            never.wait(0.01)
        after = time.monotonic() - let_go
        say(f"a reader that does not let go (seen: {held})", load, longest, seconds)
        print(f"    short again {after:.2f} s after it let go")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--entries", type=int, default=1_000_000)
    parser.add_argument("--dir", type=Path)
    parser.add_argument("--do", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.do:
        do(given.do, given.dir)
        return
    with tempfile.TemporaryDirectory(dir=given.dir) as name:
        folder = Path(name)
        path = folder / "bench.journal"
        print(
            f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}, {os.cpu_count()} cores"
        )
        began = time.perf_counter()
        make(path, given.entries)
        took = time.perf_counter() - began
        print(f"{given.entries:,} readings, {size_of(path) / 1e6:,.0f} MB, made in {took:.0f} s\n")
        print("operation        seconds  CPU seconds    entries/s  peak MiB")
        for what in (
            "info",
            "verify",
            "verify deep",
            "export",
            "import",
            "rebuild",
            "backup",
            "trim half",
        ):
            done = subprocess.run(
                [sys.executable, "-P", __file__, "--dir", str(folder), "--do", what],
                capture_output=True,
                text=True,
                check=True,
            )
            seconds, used, memory = map(float, done.stdout.split())
            rate = given.entries / seconds
            print(
                f"{what:<14} {seconds:>9.2f} {used:>12.2f} {rate:>12,.0f} {memory:>9.0f}",
                flush=True,
            )
        log_lengths(path)


if __name__ == "__main__":
    main()
