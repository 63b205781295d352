"""How long a reading takes from the wire to a subscriber, at a hundred a second.

One process writes the lines to a pseudo-terminal, with the time of each, and subscribes: one clock.
"""

import json
import os
import sqlite3
import subprocess
import tempfile
import threading
import time
import tty
from pathlib import Path

import harness
import paho.mqtt.client as mqtt
from figure import Figure, percentile, spread
from rig import Rig
from scripts import CHUNKS

_EVERY = 0.01


def figures(readings, repeat):
    """Script and Benchtally in turn, and what one commit of this disk takes."""
    ours, theirs, commits, paced = [], [], [], []
    with tempfile.TemporaryDirectory() as folder:
        for turn in range(repeat):
            for name, found in (("script", theirs), ("benchtally", ours)):
                place = Path(folder) / f"{turn}-{name}"
                place.mkdir()
                rig = Rig(place)
                try:
                    found.append(_run(rig, rig.mosquitto(), name, readings))
                    commits += _commits(place, 0)
                    paced += _commits(place, _EVERY)
                finally:
                    rig.close()
    mine, script = (sorted(x for run in runs for x in run) for runs in (ours, theirs))
    commit = percentile(commits, 0.5)
    middle, goal = percentile(mine, 0.5), percentile(script, 0.5) + commit + 0.4
    worst, bound = percentile(mine, 0.99), 3 * percentile(script, 0.99)
    medians = [percentile(run, 0.5) for run in ours]
    yield Figure(
        "wire to subscriber at 100/s, median, ms",
        f"{middle:.2f}",
        f"≤ {goal:.2f}",
        middle <= goal,
        f"{spread(medians, '.2f')}; script {percentile(script, 0.5):.2f}, commit {commit:.2f}"
        f" (one every {1000 * _EVERY:.0f} ms: {percentile(paced, 0.5):.2f})",
    )
    yield Figure(
        "… 99 of 100, ms",
        f"{worst:.2f}",
        f"≤ {bound:.2f}",
        worst <= bound,
        f"script {percentile(script, 0.99):.2f}; worst {mine[-1]:.1f} against {script[-1]:.1f}",
    )


class _Line:
    """A serial line of ours: a pseudo-terminal under a fixed name."""

    def __init__(self, link):
        self._near, far = os.openpty()
        tty.setraw(far)
        link.symlink_to(os.ttyname(far))
        self._far = far

    def write(self, number):
        os.write(self._near, b"R %d.5 mOhm\r\n" % (100_000 + number))
        return time.monotonic()

    def close(self):
        os.close(self._near)
        os.close(self._far)


def _run(rig, broker, name, readings):
    """Give the milliseconds of each reading but the first hundred, when caches are cold."""
    link = rig.folder / "line"
    line = _Line(link)
    seen = {}
    enough = threading.Event()
    last = readings - 1

    def take(_client, _data, message):
        now = time.monotonic()
        number = _number(message.payload, name)
        if number is not None:
            seen.setdefault(number, now)
            if number == last:
                enough.set()

    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "watch", protocol=mqtt.MQTTv5)
    subscribed = threading.Event()
    client.on_subscribe = lambda *_: subscribed.set()
    client.on_message = take
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    client.subscribe("#", qos=1)
    assert subscribed.wait(10)
    process = _start(rig, broker, name, link, readings)
    sent = {}
    clock = threading.Event()
    due = time.monotonic()
    for number in range(readings):
        due += _EVERY
        clock.wait(max(0.0, due - time.monotonic()))
        sent[number] = line.write(number)
    assert enough.wait(30), "the last reading did not come"
    process()
    client.disconnect()
    client.loop_stop()
    line.close()
    return [1000 * (seen[n] - sent[n]) for n in range(100, readings) if n in seen]


def _number(payload, name):
    try:
        value = float(payload) if name == "script" else json.loads(payload)["value"]
        return round(value * 1000 - 0.5) - 100_000
    except (ValueError, KeyError, TypeError):
        return None  # a state, or something else of the bench


def _start(rig, broker, name, link, readings):
    """Start the program that is measured; give what ends it."""
    if name == "script":
        process = subprocess.Popen(
            [*harness.PYTHON, "-c", CHUNKS, str(link), str(broker.port), str(readings),
             str(rig.folder / "readings.csv")],
            stdout=subprocess.PIPE,
            text=True,
        )  # fmt: skip
        assert process.stdout.readline() == "ready\n"

        def end():
            process.communicate(timeout=30)

        return end
    rig.configure(broker.port, rig.lines("line", port=link))
    daemon = rig.daemon()
    daemon.wait_for("broker.connected")
    harness.wait_until(
        lambda: any(each["state"] == "running" for each in daemon.events("instrument.state")),
        "capture",
        30,
    )
    threading.Event().wait(0.5)  # a line that is quiet after opening is not cut off
    return daemon.stop


def _commits(place, every):
    """Give what a small commit takes here, as the journal commits; milliseconds.

    One after the other, as the goal has it, or one in so many seconds, as the readings come: a
    processor that was idle takes longer to be told by the disk.
    """
    connection = sqlite3.connect(place / f"commit-{every}.db", isolation_level=None)
    pause = threading.Event()
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("CREATE TABLE t (body BLOB)")
    took = []
    for _ in range(100):
        pause.wait(every)
        began = time.perf_counter()
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("INSERT INTO t VALUES (zeroblob(600))")
        connection.execute("COMMIT")
        took.append(1000 * (time.perf_counter() - began))
    connection.close()
    return took
