"""What the attributes of CloudEvents cost: readings a second from journal to PUBACK.

    python -P tests/bench/cloudevents.py [--readings N] [--repeat R]

One journal is delivered whole to one real mosquitto (MQTT 5, QoS 1, window 20) by a process of its
own, in turn without attributes, with them as they are sent (what is the same packed once), and with
them packed anew for each message by paho's own class, A B C A B C, so that a slow minute of the
machine hits all. Time runs from CONNACK to the last PUBACK; CPU is that of the publishing process.
"""

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import uuid
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "system"))

import harness

from capture.journal import Store
from capture.model import ReadingDraft, Streamed, new_id

CHILD = """
import json, os, sys, time
from capture.clock import SystemClock
from capture.publish.cloudevents import CloudEvents, static_attributes, _TIME
from capture.publish.pump import Pump
from capture.publish.settings import PublisherSettings
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

given = json.loads(sys.argv[1])
form = given.pop("form")
if form == "each anew":
    def properties(self, row):
        made = Properties(PacketTypes.PUBLISH)
        made.PayloadFormatIndicator = 1
        made.ContentType = "application/json"
        attributes = static_attributes(row, *self._bench)
        attributes |= {"id": str(row.id), "time": _TIME.search(row.body)[1].decode()}
        made.UserProperty = list(attributes.items())
        return made
    CloudEvents.properties = properties
read_end, write_end = os.pipe()
os.close(write_end)  # the stop is asked for already: deliver everything, then end
began = []
def tell(report):
    if report.connected and not began:
        began.append((time.monotonic(), time.process_time()))
settings = PublisherSettings(**given, cloudevents=form != "without")
Pump(settings, read_end, SystemClock(), tell).run()
print(json.dumps([time.monotonic() - began[0][0], time.process_time() - began[0][1]]))
"""
FORMS = ("without", "packed once", "each anew")


def fill(path, readings):
    store = Store(path)
    source = Streamed(driver="ascii-meter", driver_version="1", link="memory")
    for begin in range(0, readings, 500):
        store.append(
            [
                ReadingDraft(
                    id=new_id(), site="sawmill", bench="bench-1", instrument="ohm-1",
                    time=datetime.now(UTC), quantity="resistance", unit="Ohm", value=n / 1000,
                    digits=str(n), shown_unit="mΩ", status="ok", source=source,
                )
                for n in range(begin, min(begin + 500, readings))
            ]
        )  # fmt: skip
    store.close()


def deliver(folder, broker, form):
    name = uuid.uuid4().hex
    given = {
        "form": form, "name": name, "journal": str(folder / "j"), "cursor": str(folder / name),
        "letters": str(folder / f"{name}.letters"), "site": "sawmill", "bench": "bench-1",
        "host": "127.0.0.1", "port": broker.port, "version": "5", "client_id": name,
        "username": "", "password": "", "password_file": None, "tls": None, "keepalive_s": 20,
        "window": 20, "max_rate": 0, "dead_letters": 10, "retry_s": 30, "drain_s": 600,
    }  # fmt: skip
    done = subprocess.run(
        [*harness.PYTHON, "-c", CHILD, json.dumps(given)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return json.loads(done.stdout.splitlines()[-1])


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--readings", type=int, default=10_000)
    parser.add_argument("--repeat", type=int, default=5)
    given = parser.parse_args()
    found = {form: [] for form in FORMS}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fill(folder / "j", given.readings)
        broker = harness.Mosquitto(folder / "broker")
        try:
            for _ in range(given.repeat):
                for form in FORMS:
                    seconds, cpu = deliver(folder, broker, form)
                    found[form].append((given.readings / seconds, cpu / given.readings * 1e6))
        finally:
            broker.end()
    print(
        f"{given.readings} readings, {given.repeat} runs each, in turn; journal to PUBACK, QoS 1\n"
    )
    print(f"{'attributes':14}{'readings/s: min':>18}{'median':>9}{'max':>9}{'CPU µs each':>14}")
    for form, runs in found.items():
        rates, cpu = zip(*runs, strict=True)
        numbers = f"{min(rates):18.0f}{statistics.median(rates):9.0f}{max(rates):9.0f}"
        print(f"{form:14}{numbers}{statistics.median(cpu):14.1f}")


if __name__ == "__main__":
    main()
