"""Readings a second from wire to PUBACK: Benchtally against a script written by hand.

    python -P tests/bench/rate.py [--readings N] [--repeat R]

Both read the same stream from a pseudo-terminal (the counter simulator, without loss, as fast as
it is taken) and publish each value at QoS 1 to the same mosquitto. The script is what one would
write in a quarter of an hour: pyserial's readline, float, paho; a line that it had taken when it
dies is gone. Benchtally stores each reading with a synchronous commit before it publishes it. They
run in turn, A B A B, so that a slow minute of the machine hits both.

Time runs from the simulator's start to the last PUBACK: for the script by its own count, for
Benchtally by its cursor, which moves over acknowledged entries only (and is written every 0.1 s).
CPU seconds are those of the program with all its processes; memory is the sum of their peaks.
"""

import argparse
import importlib.metadata
import json
import os
import platform
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "system"))

import harness
from rig import Rig

SCRIPT = """
import sys, threading
import paho.mqtt.client as mqtt
import serial

port, broker, wanted = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "script", protocol=mqtt.MQTTv5)
acknowledged = 0
done = threading.Event()

def on_publish(*_):
    global acknowledged
    acknowledged += 1
    if acknowledged == wanted:
        done.set()

client.on_publish = on_publish
client.connect("127.0.0.1", broker)
client.loop_start()
line = serial.Serial(port, 9600)
print("ready", flush=True)
for _ in range(wanted):
    value = float(line.readline().split()[1])
    client.publish("script/resistance", str(value / 1000), qos=1)
done.wait()
print("done", flush=True)
client.disconnect()
client.loop_stop()
"""


def peak_memory(pids):
    """Sum of the peaks of resident memory, in MiB, of processes that still run."""
    total = 0
    for pid in pids:
        status = Path(f"/proc/{pid}/status").read_text("utf-8")
        total += int(status.partition("VmHWM:")[2].split()[0])
    return total / 1024


def ended(process):
    """Wait for a program; give the CPU seconds of it and of the children it waited for."""
    _, _status, used = os.wait4(process.pid, 0)
    process.returncode = 0
    return used.ru_utime + used.ru_stime


def stream(rig, name, readings):
    """A counter that waits for the hand; two more than counted, the first line may be cut off."""
    link = rig.folder / name
    return link, rig.simulate(
        "counter", "--pty", link, "--lossless", "--rate", 1e6,
        "-o", f"count={readings + 2}", "-o", "autostart=no",
    )  # fmt: skip


def run_script(rig, broker, readings):
    link, counter = stream(rig, "script-line", readings)
    process = subprocess.Popen(
        [*harness.PYTHON, "-c", SCRIPT, str(link), str(broker.port), str(readings)],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout.readline() == "ready\n"
    began = time.monotonic()
    counter.hand("start")
    assert process.stdout.readline() == "done\n"
    seconds = time.monotonic() - began
    memory = peak_memory([process.pid])
    process.stdout.close()
    cpu = ended(process)
    counter.end()
    return readings / seconds, cpu, memory


def run_benchtally(rig, broker, readings):
    link, counter = stream(rig, "line", readings)
    rig.configure(broker.port, rig.lines("line", port=link))
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
    memory = peak_memory([daemon.pid, daemon.publisher()])
    daemon.process.terminate()
    cpu = ended(daemon.process)
    counter.end()
    entries = rig.entries()
    assert harness.sequence_gaps(entries) == 0
    numbers = [int(each.json()["digits"]) for each in entries]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    return readings / seconds, cpu, memory


def spread(values, form):
    return "".join(
        f"{value:{form}}" for value in (min(values), statistics.median(values), max(values))
    )


def versions(broker):
    said = subprocess.run([broker, "-h"], capture_output=True, text=True, check=False).stdout
    packages = ("benchtally", "paho-mqtt", "pyserial", "pydantic")
    named = [f"{name} {importlib.metadata.version(name)}" for name in packages]
    return ", ".join(
        [
            f"Python {platform.python_version()}",
            *named,
            f"SQLite {sqlite3.sqlite_version}",
            said.splitlines()[0],
            f"{platform.system()} {platform.release()}, {os.cpu_count()} CPUs",
        ]
    )


def main():
    parser = argparse.ArgumentParser(description="Readings a second from wire to PUBACK.")
    parser.add_argument("--readings", type=int, default=20_000)
    parser.add_argument("--repeat", type=int, default=3)
    given = parser.parse_args()
    found = {"script": [], "benchtally": []}
    with tempfile.TemporaryDirectory() as folder:
        for turn in range(given.repeat):
            for name, run in (("script", run_script), ("benchtally", run_benchtally)):
                place = Path(folder) / f"{turn}-{name}"
                place.mkdir()
                rig = Rig(place)
                try:
                    found[name].append(run(rig, rig.mosquitto(), given.readings))
                finally:
                    rig.close()
    out = sys.stdout.write
    out(f"{given.readings} readings, {given.repeat} runs each, in turn; wire to PUBACK at QoS 1\n")
    out(f"{versions(harness.mosquitto_program())}\n\n")
    out(f"{'':12}{'readings/s':>24}{'CPU s':>21}{'peak MiB':>21}\n")
    out(
        f"{'':12}{'min':>8}{'median':>8}{'max':>8}"
        + f"{'min':>7}{'median':>7}{'max':>7}" * 2
        + "\n"
    )
    for name, runs in found.items():
        rates, cpu, memory = zip(*runs, strict=True)
        out(f"{name:12}{spread(rates, '8.0f')}{spread(cpu, '7.2f')}{spread(memory, '7.1f')}\n")
    medians = {name: statistics.median(run[0] for run in runs) for name, runs in found.items()}
    out(f"\nratio of the medians: {medians['benchtally'] / medians['script']:.2f}\n")


if __name__ == "__main__":
    main()
