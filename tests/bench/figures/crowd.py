"""Two hundred instruments at ten readings a second each: processor, latency, memory."""

import json
import os
import subprocess
import tempfile
import threading
import time
from pathlib import Path

import harness
import paho.mqtt.client as mqtt
from figure import Figure, percentile, spread
from rig import Rig

_TICKS = os.sysconf("SC_CLK_TCK")
_EVERY = 0.1

# Serves so many talk-only meters, each on a port of its own, and writes when each line was sent.
_METERS = """
import json, socket, sys, threading, time
count, every, out = int(sys.argv[1]), float(sys.argv[2]), open(sys.argv[3], "w", buffering=1 << 16)
listening = []
for _ in range(count):
    one = socket.socket(); one.bind(("127.0.0.1", 0)); one.listen(1); listening.append(one)
print(json.dumps([one.getsockname()[1] for one in listening]), flush=True)
lines = [one.accept()[0] for one in listening]
for line in lines:
    line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
print("all", flush=True)
stop = threading.Event()
threading.Thread(target=lambda: (sys.stdin.read(), stop.set()), daemon=True).start()
number, due = 0, time.monotonic()
while not stop.is_set():
    # Spread over the tenth of a second, as clocks of their own would.
    for place, line in enumerate(lines):
        due += every / count
        stop.wait(max(0.0, due - time.monotonic()))
        line.sendall(b"R %d.%03d mOhm\\r\\n" % (100000 + number, place))
        out.write(f"{place} {number} {time.monotonic()}\\n")
    number += 1
out.close()
"""


def figures(instruments, seconds):
    """Run for a while after everything is open, and compare the ends of it."""
    with tempfile.TemporaryDirectory() as folder:
        rig = Rig(Path(folder))
        try:
            yield from _run(rig, instruments, seconds)
        finally:
            rig.close()


def _run(rig, instruments, seconds):
    sent_path = rig.folder / "sent.txt"
    meters = subprocess.Popen(
        [*harness.PYTHON, "-c", _METERS, str(instruments), str(_EVERY), str(sent_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    ports = json.loads(meters.stdout.readline())
    broker = rig.mosquitto()
    seen = {}
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "watch", protocol=mqtt.MQTTv5)
    client.on_message = lambda _c, _d, message: seen.setdefault(message.payload, time.monotonic())
    client.connect("127.0.0.1", broker.port)
    client.subscribe("benchtally/v1/+/+/reading/#", qos=1)
    client.loop_start()
    rig.configure(
        broker.port,
        *(rig.lines(f"meter-{n}", host="127.0.0.1", port=port) for n, port in enumerate(ports)),
    )
    daemon = rig.daemon()
    assert meters.stdout.readline() == "all\n"
    daemon.wait_for("broker.connected")
    pause = threading.Event()
    pause.wait(5)  # imports are over, and caches warm
    pids = [daemon.pid, daemon.publisher()]
    began, before, early = time.monotonic(), cpu(pids), memory(pids)
    pause.wait(seconds)
    ended, after, late = time.monotonic(), cpu(pids), memory(pids)
    meters.stdin.close()
    meters.wait(10)
    pause.wait(1)
    daemon.stop()
    client.loop_stop()
    cores = (after - before) / (ended - began)
    took, missing = _latency(sent_path, seen, began, ended)
    yield Figure(
        f"{instruments} instruments at 10/s each, cores",
        f"{cores:.2f}",
        "≤ 0.7",
        cores <= 0.7,
        f"{len(took)} readings in {ended - began:.0f} s, {missing} not at the subscriber",
    )
    slow = percentile(took, 0.99)
    yield Figure("… 99 of 100 within, ms", f"{slow:.1f}", "≤ 25", slow <= 25, spread(took, ".1f"))
    yield Figure(
        "… memory at the end against the beginning",
        f"{late / early:.2f}",
        "≤ 1.1",
        late / early <= 1.1,
        f"{early:.0f} to {late:.0f} MiB",
    )


def _latency(path, seen, began, ended):
    arrived = {}
    for payload, at in seen.items():
        body = json.loads(payload)
        shown = round(body["value"] * 1e6)
        arrived[shown % 1000, shown // 1000 - 100_000] = at
    took, missing = [], 0
    for line in path.read_text("utf-8").splitlines():
        place, number, at = line.split()
        moment = float(at)
        if not began <= moment <= ended - 1:
            continue
        there = arrived.get((int(place), int(number)))
        if there is None:
            missing += 1
        else:
            took.append(1000 * (there - moment))
    return took, missing


def cpu(pids):
    total = 0.0
    for pid in pids:
        fields = Path(f"/proc/{pid}/stat").read_text("utf-8").rpartition(")")[2].split()
        total += (int(fields[11]) + int(fields[12])) / _TICKS
    return total


def memory(pids):
    total = 0
    for pid in pids:
        status = Path(f"/proc/{pid}/status").read_text("utf-8")
        total += int(status.partition("VmRSS:")[2].split()[0])
    return total / 1024
