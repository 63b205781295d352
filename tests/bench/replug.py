"""Unplugs and plugs each kind of link under a running worker, and counts what was lost.

    python -P tests/bench/replug.py [--cycles 100] [--kind KIND ...]

For each kind a whole `capture.runtime.Worker` captures a counter through the built-in SCPI driver
into a store in memory. A cycle: pull the link out, wait until the worker has noticed, plug it in,
wait until the next reading is committed. Counted are: readings that were committed and are not in
the store at the end, or twice, or out of order; readings that the far end handed out and that were
under way when the link was pulled (they were never committed; the next one follows); and the
longest time from plugging in to the next committed reading.

/dev/usbtmcN and the USB bus are stand-ins, as there is no USB bus where this runs.
"""

import argparse
import importlib.util
import itertools
import random
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import structlog

from capture.clock import SystemClock
from capture.plugins import DriverRegistry
from capture.runtime import Instrument, MessagePolicy, State, Worker

_PATIENCE = 15.0
_READINGS = 5  # committed in each cycle, at least
_KINDS = ("serial", "rfc2217", "tcp", "unix", "usbtmc", "usbtmc-kernel")


def load_far_ends():
    """Load the file beside this one, whether this is run as a program or by a test."""
    if "far_ends" not in sys.modules:
        path = Path(__file__).with_name("far_ends.py")
        spec = importlib.util.spec_from_file_location("far_ends", path)
        sys.modules["far_ends"] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules["far_ends"])
    return sys.modules["far_ends"]


class Watched:
    """A store in memory that lets others wait for what happens."""

    def __init__(self):
        self.changed = threading.Condition()
        self.entries = []
        self.state = State.IDLE
        self.reason = ""

    def append(self, entries):
        with self.changed:
            self.entries += [each.draft() for each in entries]
            self.changed.notify_all()

    def on_change(self, snapshot):
        with self.changed:
            self.state, self.reason = snapshot.state, snapshot.reason
            self.changed.notify_all()

    def wait(self, what, condition):
        with self.changed:
            if not self.changed.wait_for(lambda: condition(self), _PATIENCE):
                raise TimeoutError(f"{what}: still {self.state} {self.reason!r}")


class Heart:
    """Beats, and counts for how long it was not let beat: then nothing else here was let run either.

    A beat that is late by less than a tenth of a second is none that counts.
    """

    def __init__(self):
        self.stood_still = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._beat, name="heart")
        self._thread.start()

    def _beat(self):
        last = time.monotonic()
        while not self._stop.wait(0.02):
            now = time.monotonic()
            self.stood_still += max(0.0, now - last - 0.12)
            last = now

    def stop(self):
        self._stop.set()
        self._thread.join()


@dataclass
class Outcome:
    """What came of one kind. Times in seconds, without those for which the machine stood still."""

    kind: str
    cycles: int
    committed: int
    lost: int
    under_way: int
    worst: float
    middle: float
    took: float


def run(kind, cycles, folder):
    """Do so many cycles of one kind."""
    end = load_far_ends().KINDS[kind](folder)
    store = Watched()
    worker = Worker(_instrument(kind, end), store, SystemClock(), store.on_change)
    worker.start()
    began, heart = time.monotonic(), Heart()
    times = []
    committed_at_pull = []
    never, moments = threading.Event(), random.Random(kind)
    try:
        store.wait("first reading", lambda s: s.entries)
        for _ in range(cycles):
            end.unplug()
            store.wait("noticing the pull", lambda s: s.state is State.WAITING)
            with store.changed:
                committed_at_pull += [each.id for each in store.entries]
                before = len(store.entries)
            plugged, still = time.monotonic(), heart.stood_still
            end.plug()
            store.wait("coming back", lambda s, n=before: len(s.entries) > n)
            times.append(time.monotonic() - plugged - (heart.stood_still - still))
            store.wait("going on", lambda s, n=before: len(s.entries) >= n + _READINGS)
            # Pulled at any moment of a query and its answer, not always right after a commit.
            never.wait(moments.uniform(0, 0.03))
    finally:
        worker.ask_to_stop()
        ended = worker.join(_PATIENCE)
        heart.stop()
        end.close()
    if not ended:
        raise TimeoutError(f"{kind}: the worker did not stop")
    ids = [each.id for each in store.entries]
    values = [each.value for each in store.entries]
    in_order = sum(later <= earlier for earlier, later in itertools.pairwise(values))
    return Outcome(
        kind=kind,
        cycles=cycles,
        committed=len(ids),
        lost=len(set(committed_at_pull) - set(ids)) + len(ids) - len(set(ids)) + in_order,
        under_way=end.instrument.count - len(ids),
        worst=max(times),
        middle=sorted(times)[len(times) // 2],
        took=time.monotonic() - began,
    )


def _instrument(kind, end):
    loaded = DriverRegistry.load().get("scpi-meter")
    options = loaded.spec.options(interval_s=0.02, timeout_s=1.0)
    return Instrument(
        id=kind,
        site="sawmill",
        bench="fans",
        driver_id="scpi-meter",
        driver_version=loaded.version,
        profile=None,
        make_driver=lambda: loaded.spec.create(options),
        make_link=end.make_link,
        policy=MessagePolicy(),
    )


def main():
    """Run every kind side by side and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cycles", type=int, default=100)
    parser.add_argument("--kind", action="append", choices=_KINDS)
    asked = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    kinds = asked.kind or list(_KINDS)
    load_far_ends()
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(len(kinds)) as pool:
        folders = [Path(folder) / kind for kind in kinds]
        for each in folders:
            each.mkdir()
        jobs = [
            pool.submit(run, kind, asked.cycles, own)
            for kind, own in zip(kinds, folders, strict=True)
        ]
        outcomes = [job.result() for job in jobs]
    head = (
        f"{'link':14} {'cycles':>6} {'committed':>9} {'lost':>5} {'under way':>9} "
        f"{'worst s':>8} {'median s':>8} {'took s':>7}"
    )
    lines = [
        f"{each.kind:14} {each.cycles:6} {each.committed:9} {each.lost:5} {each.under_way:9} "
        f"{each.worst:8.2f} {each.middle:8.2f} {each.took:7.1f}"
        for each in outcomes
    ]
    sys.stdout.write("\n".join([head, *lines]) + "\n")
    return 0 if all(each.lost == 0 for each in outcomes) else 1


if __name__ == "__main__":
    sys.exit(main())
