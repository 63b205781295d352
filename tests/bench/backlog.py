"""Drains a large backlog: rate, memory, order, and whether commands stay quick meanwhile.

    python -P tests/bench/backlog.py [--readings 1000000]

The journal is written beforehand, in large batches. Then the daemon starts against a real
mosquitto with a subscriber whose session it keeps; measured is from the start of the daemon to the
last reading at the subscriber. Meanwhile `benchtally readings` is run again and again.
"""

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "system"))

import harness
from recorder import Recorder
from rig import Rig

from capture.journal import Store
from capture.model import ReadingDraft, Streamed, new_id

_BATCH = 20_000
_INSTRUMENTS = 4


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--readings", type=int, default=1_000_000)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rig = Rig(Path(folder))
        try:
            drain(rig, arguments.readings)
        finally:
            rig.close()


def fill(path, readings):
    """Write so many readings of a few instruments."""
    source = Streamed(driver="bench", driver_version="1", link="memory")
    now = datetime.now(UTC)
    store = Store(path)
    for first in range(0, readings, _BATCH):
        store.append(
            [
                ReadingDraft(
                    id=new_id(),
                    site=harness.SITE,
                    bench=harness.BENCH,
                    instrument=f"meter-{n % _INSTRUMENTS}",
                    time=now,
                    quantity="resistance",
                    unit="Ohm",
                    value=float(n),
                    digits=str(n),
                    shown_unit="Ohm",
                    status="ok",
                    source=source,
                )
                for n in range(first, min(first + _BATCH, readings))
            ]
        )
    store.close()


def peak_mebibytes(pid):
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) / 1024
    return 0.0


def drain(rig, readings):
    """Fill the journal, then deliver it; print what was seen."""
    began = time.monotonic()
    fill(rig.journal, readings)
    print(f"{readings} readings written in {time.monotonic() - began:.0f} s", flush=True)
    broker = rig.mosquitto()
    recorder = rig.own(Recorder(broker.port))
    rig.configure(broker.port)
    began = time.monotonic()
    daemon = rig.daemon()
    publisher = daemon.publisher()
    latencies = []
    while len(recorder.arrivals) < readings:
        asked = time.monotonic()
        command = [*harness.PYTHON, "-m", "capture.cli", "readings", "--last", "20"]
        command += ["--config", str(rig.config)]
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True, timeout=120)
        latencies.append(time.monotonic() - asked)
        assert daemon.running(), daemon.said()[-2000:]
        recorder.wait(lambda: len(recorder.arrivals) >= readings, 5)
        print(f"  {time.monotonic() - began:6.0f} s  {len(recorder.arrivals)}", flush=True)
    seconds = time.monotonic() - began
    memory = peak_mebibytes(publisher), peak_mebibytes(daemon.pid)
    assert daemon.stop() == 0
    order, reordered = Counter(), 0
    by_place = sorted(recorder.arrivals.values(), key=lambda each: each.place)
    places = {id_: each.place for id_, each in recorder.arrivals.items()}
    for entry in harness.journal_entries(rig.journal):
        place = places[entry.id]
        reordered += place < order[entry.instrument]
        order[entry.instrument] = place
    again = sum(each.count - 1 for each in by_place)
    print(
        f"{readings} readings delivered in {seconds:.0f} s: {readings / seconds:.0f} a second; "
        f"peak memory: publisher {memory[0]:.0f} MiB, daemon {memory[1]:.0f} MiB; "
        f"reordered {reordered}, came again {again}; `benchtally readings` meanwhile: median "
        f"{statistics.median(latencies):.1f} s, worst {max(latencies):.1f} s"
    )


if __name__ == "__main__":
    main()
