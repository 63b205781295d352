"""Readings a second from wire to PUBACK, the same stream through the same kind of broker."""

import json
import subprocess
import tempfile
import time
from pathlib import Path

import harness
from figure import ratio
from rig import Rig
from scripts import CHUNKS, READLINE


def figures(readings, repeat):
    """Run all in turn, A B C D A B C D, so that a slow minute of the machine hits each."""
    runs = {
        "readline": lambda rig, broker: _script(rig, broker, READLINE, readings),
        "chunks": lambda rig, broker: _script(rig, broker, CHUNKS, readings),
        "benchtally": lambda rig, broker: _benchtally(rig, broker, readings, events=False),
        "cloudevents": lambda rig, broker: _benchtally(rig, broker, readings, events=True),
    }
    found = {name: [] for name in runs}
    with tempfile.TemporaryDirectory() as folder:
        for turn in range(repeat):
            for name, run in runs.items():
                place = Path(folder) / f"{turn}-{name}"
                place.mkdir()
                rig = Rig(place)
                try:
                    found[name].append(run(rig, rig.mosquitto()))
                finally:
                    rig.close()
    ours = found["benchtally"]
    yield ratio("readings/s, one port, against the readline script", ours, found["readline"], 4)
    yield ratio("… against the script reading in chunks", ours, found["chunks"], 0.85)
    yield ratio("… with CloudEvents properties", found["cloudevents"], found["chunks"], 0.7)


def _stream(rig, name, readings):
    link = rig.folder / name
    return link, rig.simulate(
        "counter", "--pty", link, "--lossless", "--rate", 1e6,
        "-o", f"count={readings + 2}", "-o", "autostart=no",
    )  # fmt: skip


def _script(rig, broker, text, readings):
    link, counter = _stream(rig, "script-line", readings)
    process = subprocess.Popen(
        [*harness.PYTHON, "-c", text, str(link), str(broker.port), str(readings),
         str(rig.folder / "readings.csv")],
        stdout=subprocess.PIPE,
        text=True,
    )  # fmt: skip
    assert process.stdout.readline() == "ready\n"
    began = time.monotonic()
    counter.hand("start")
    assert process.stdout.readline() == "done\n"
    seconds = time.monotonic() - began
    process.stdout.close()
    process.wait(10)
    counter.end()
    return readings / seconds


def _benchtally(rig, broker, readings, *, events):
    link, counter = _stream(rig, "line", readings)
    rig.configure(
        broker.port,
        rig.lines("line", port=link),
        broker=f"cloudevents = {'true' if events else 'false'}\nmax_rate = 1000000\n",
    )
    daemon = rig.daemon()
    daemon.wait_for("broker.connected")
    cursor = rig.journal.with_name(rig.journal.name + ".delivered")

    def delivered():
        try:
            return json.loads(cursor.read_text("utf-8"))["delivered"] >= readings
        except (OSError, ValueError):
            return False

    began = time.monotonic()
    counter.hand("start")
    harness.wait_until(delivered, "everything delivered", 300)
    seconds = time.monotonic() - began
    daemon.stop()
    counter.end()
    entries = rig.entries()
    assert harness.sequence_gaps(entries) == 0
    return readings / seconds
