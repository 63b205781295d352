"""Drains a large backlog: rate, memory, order, and whether commands stay quick meanwhile.

    python -P tests/bench/backlog.py [--readings 1000000]

The journal is written beforehand, in large batches. Then the daemon starts against a real
mosquitto; measured is from the start of the daemon to the last PUBACK (the publisher's cursor) and
to the last reading at a subscriber. That one only keeps what comes and looks at it afterwards: it
shares two processors with broker and publisher. Meanwhile `benchtally readings` is run now and then.
"""

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "system"))

import harness
import paho.mqtt.client as mqtt
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


class Keeper:
    """Keeps what comes, and nothing else."""

    def __init__(self, port):
        self.payloads = []
        subscribed = threading.Event()
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.on_message = lambda _client, _data, got: self.payloads.append(got.payload)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe(f"{harness.ROOT}/reading/#", qos=1)
        assert subscribed.wait(harness.LONG)

    def end(self):
        self._client.disconnect()
        self._client.loop_stop()


def drain(rig, readings):
    """Fill the journal, then deliver it; print what was seen."""
    began = time.monotonic()
    fill(rig.journal, readings)
    print(f"{readings} readings written in {time.monotonic() - began:.0f} s", flush=True)
    broker = rig.mosquitto()
    keeper = rig.own(Keeper(broker.port))
    rig.configure(broker.port)
    began = time.monotonic()
    daemon = rig.daemon()
    publisher = daemon.publisher()
    cursor = rig.journal.with_name(rig.journal.name + ".delivered")
    command = [*harness.PYTHON, "-m", "capture.cli", "readings", "--last", "20"]
    command += ["--config", str(rig.config)]
    latencies, acknowledged, look_at = [], 0.0, began + 5
    while len(keeper.payloads) < readings or not acknowledged:
        harness._NEVER.wait(0.2)
        now = time.monotonic()
        if not acknowledged and delivered(cursor) >= readings:
            acknowledged = now - began
        if now >= look_at:
            subprocess.run(command, stdout=subprocess.DEVNULL, check=True, timeout=120)
            latencies.append(time.monotonic() - now)
            look_at = now + 10
            assert daemon.running(), daemon.said()[-2000:]
            print(f"  {now - began:6.0f} s  {len(keeper.payloads)}", flush=True)
    seconds = time.monotonic() - began
    memory = peak_mebibytes(publisher), peak_mebibytes(daemon.pid)
    assert daemon.stop() == 0
    tell(rig, keeper.payloads, acknowledged, seconds, memory, latencies)


def delivered(cursor):
    return json.loads(cursor.read_text())["delivered"] if cursor.exists() else 0


def tell(rig, payloads, acknowledged, seconds, memory, latencies):
    """Compare the journal with what came, and print it all."""
    bodies = {entry.body for entry in harness.journal_entries(rig.journal)}
    came, highest, reordered = set(), Counter(), 0
    for payload in payloads:
        if payload in came:
            continue
        came.add(payload)
        reading = json.loads(payload)
        reordered += reading["sequence"] < highest[reading["instrument"]]
        highest[reading["instrument"]] = reading["sequence"]
    print(
        f"{len(bodies)} readings: acknowledged in {acknowledged:.0f} s "
        f"({len(bodies) / acknowledged:.0f} a second), at the subscriber in {seconds:.0f} s; "
        f"missing {len(bodies - came)}, came again {len(payloads) - len(came)}, reordered "
        f"{reordered}; peak memory: publisher {memory[0]:.0f} MiB, daemon {memory[1]:.0f} MiB; "
        f"`benchtally readings` meanwhile: median {statistics.median(latencies):.1f} s, worst "
        f"{max(latencies):.1f} s"
    )


if __name__ == "__main__":
    main()
