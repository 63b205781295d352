"""A worker and the journal's writer on a small disk that really is full; prints what happened.

    full_disk_child.py FOLDER room|stop

Started by test_full_disk.py in a mount namespace of its own, where it puts a small file system of
its own on FOLDER. `room` makes room again; `stop` stops everything while the disk is still full.
"""

import itertools
import json
import subprocess
import sys
import threading
import time
from collections import deque
from decimal import Decimal
from pathlib import Path

from capture.clock import SystemClock
from capture.driver import Driver, Indication, Status
from capture.journal import JournalReader, Writer
from capture.journal.verify import verify
from capture.links.memory import MemoryLink, Wire
from capture.runtime import Instrument, MessagePolicy
from capture.runtime.worker import State, Worker

FED = 4000
FIRST = 300  # before the disk is full
RESERVE = 4 << 20


class Counting(Driver):
    """Takes each byte for a reading and numbers them itself."""

    def __init__(self):
        self.events = deque()
        self.numbers = itertools.count(1)

    def receive(self, data, end_of_message, now):
        for byte in data:
            n = next(self.numbers)
            self.events.append(
                Indication("resistance", "Ohm", Decimal(n), str(n), "Ohm", Status.OK, bytes([byte]))
            )

    def next_event(self):
        return self.events.popleft() if self.events else None

    def outgoing(self, now):
        return []

    def wake_at(self):
        return None


def wait_until(condition):
    never, end = threading.Event(), time.monotonic() + 60
    while not condition():
        assert time.monotonic() < end, "what was waited for did not happen in time"
        never.wait(0.01)


def fill(path):
    """Write until not one more byte goes in."""
    with path.open("wb", buffering=0) as file:
        for piece in (1 << 16, 1 << 12, 1):
            try:
                while True:
                    file.write(bytes(piece))
            except OSError:
                continue


def main(folder, ending):
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=24m", "none", str(folder)], check=True)
    path = folder / "bench.journal"
    wire = Wire()
    writer = Writer(path, SystemClock(), lambda: None, reserve=RESERVE)
    instrument = Instrument(
        "ohm-1",
        "sawmill",
        "bench-1",
        "counting",
        "1",
        None,
        Counting,
        lambda: MemoryLink(wire),
        MessagePolicy(),
    )
    worker = Worker(instrument, writer, SystemClock(), lambda _: None)
    writer.start()
    worker.start()
    said = {}
    try:
        for _ in range(FIRST):
            wire.say(b"x")
        wait_until(lambda: worker.snapshot.readings == FIRST)
        wait_until(lambda: writer.health.reserve == "held")
        fill(folder / "filler")
        for _ in range(FED - FIRST):
            wire.say(b"x")
        wait_until(lambda: worker.snapshot.state is State.WAITING)
        said["reason"] = worker.snapshot.reason
        said["stored_when_full"] = worker.snapshot.readings
        said["taking"] = writer.health.taking
        said["reserve_when_full"] = (folder / "bench.journal.reserve").stat().st_size
        if ending == "room":
            (folder / "filler").unlink()
            wait_until(lambda: worker.snapshot.readings == FED)
            wait_until(lambda: writer.health.taking)
    finally:
        writer.prepare_to_stop()
        worker.ask_to_stop()
        said["worker_ended"] = worker.join(20)
        said["writer_ended"] = writer.stop(20)
    said["reserve"] = writer.health.reserve
    said["reserve_is_there"] = (folder / "bench.journal.reserve").exists()
    found = verify(path, deep=True)
    said["faults"] = [fault.what for fault in found.faults]
    reader = JournalReader(path)
    rows = reader.after(0, 10 * FED)
    reader.close()
    bodies = [(row.kind, json.loads(row.body)) for row in rows]
    said["values"] = [int(body["value"]) for kind, body in bodies if kind == "reading"]
    said["gaps"] = [body["reason"] for kind, body in bodies if kind == "gap"]
    sys.stdout.write(json.dumps(said) + "\n")


main(Path(sys.argv[1]), sys.argv[2])
