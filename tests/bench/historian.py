"""How fast one worker of the historian stores, against two programs written by hand.

    python -P tests/bench/historian.py [--readings 100000] [--runs 3]

In one run, in turn: a bare paho consumer that counts (persistent session, QoS 1), the historian into
PostgreSQL (fsync on), and COPY of the same rows straight into the same indexed table. The messages
wait in mosquitto before each begins; measured is from its start to the last one.
"""

import argparse
import statistics
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "system"))

import harness
import paho.mqtt.client as mqtt
import psycopg
from historian_bench import Historian
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from postgres import Postgres
from rig import Rig

from capture.clock import SystemClock
from capture.historian.intake import COLUMNS, row_of
from capture.historian.settings import HistorianConfig
from capture.historian.worker import Worker
from capture.model import ReadingDraft, Streamed, new_id

_FROM = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
_INSTRUMENTS = 8


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--readings", type=int, default=100_000)
    parser.add_argument("--runs", type=int, default=3)
    given = parser.parse_args()
    found = {"bare consumer": [], "historian": [], "COPY": []}
    server = Postgres(durable=True)
    try:
        for run in range(given.runs):
            with tempfile.TemporaryDirectory() as folder:
                rig = Rig(Path(folder))
                try:
                    for name, rate in measure(rig, server, given.readings):
                        found[name].append(rate)
                        print(f"run {run + 1}: {name:<14} {rate:>9.0f} readings/s", flush=True)
                finally:
                    rig.close()
    finally:
        server.end()
    middle = {name: statistics.median(rates) for name, rates in found.items()}
    print(
        f"median of {given.runs}: historian / bare consumer "
        f"{middle['historian'] / middle['bare consumer']:.2f}, historian / COPY "
        f"{middle['historian'] / middle['COPY']:.2f}"
    )


def messages(count):
    """Give topic and payload of so many readings, as a bench publishes them."""
    source = Streamed(driver="bench", driver_version="1", link="memory")
    for n in range(count):
        reading = ReadingDraft(
            id=new_id(), site=harness.SITE, bench=harness.BENCH, instrument=f"meter-{n % _INSTRUMENTS}",
            time=_FROM + timedelta(milliseconds=n), quantity="resistance", unit="Ohm", value=n / 1000,
            digits=str(n), shown_unit="mOhm", status="ok", source=source,
        )  # fmt: skip
        body = reading.model_dump_json()[:-1] + f',"sequence":{n // _INSTRUMENTS + 1}}}'
        yield f"{harness.ROOT}/reading/{reading.instrument}/resistance", body.encode()


def measure(rig, server, count):
    everything = list(messages(count))
    broker = rig.mosquitto()
    yield "bare consumer", bare(rig, broker, everything)
    conninfo = server.database()
    historian = Historian(rig, broker.port, conninfo)
    yield "historian", store(historian, broker, everything)
    assert historian.count() == count
    yield "COPY", copy(server, everything)


def fill(port, everything):
    """Publish it all, and wait until the broker has it."""
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.max_queued_messages_set(0)
    client.connect("127.0.0.1", port)
    client.loop_start()
    last = None
    for topic, payload in everything:
        last = client.publish(topic, payload, qos=1)
        if last.mid % 2000 == 0:
            last.wait_for_publish(harness.LONG)
    last.wait_for_publish(120)
    client.disconnect()
    client.loop_stop()


def bare(_rig, broker, everything):
    """A consumer such as one writes by hand: it counts."""
    done, count = threading.Event(), 0

    def take(_client, _data, _message):
        nonlocal count
        count += 1
        if count == len(everything):
            done.set()

    def connect():
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "bare", protocol=mqtt.MQTTv5)
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 3600
        client.on_message = take
        subscribed = threading.Event()
        client.on_subscribe = lambda *_: subscribed.set()
        client.connect("127.0.0.1", broker.port, clean_start=False, properties=properties)
        client.loop_start()
        client.subscribe(f"{harness.ROOT}/#", qos=1)
        assert subscribed.wait(harness.LONG)
        return client

    first = connect()
    first.disconnect()
    first.loop_stop()
    fill(broker.port, everything)
    began = time.perf_counter()
    client = connect()
    assert done.wait(600)
    seconds = time.perf_counter() - began
    client.unsubscribe(f"{harness.ROOT}/#")
    client.disconnect()
    client.loop_stop()
    return len(everything) / seconds


def store(historian, broker, everything):
    """One worker, in a thread of this process; it begins with the messages waiting."""

    def begin():
        worker = Worker(HistorianConfig.load(historian.config), SystemClock())
        thread = threading.Thread(target=worker.run)
        thread.start()
        return worker, thread

    worker, thread = begin()
    harness.wait_until(lambda: worker.listening, "it listens")
    worker.stop()
    thread.join()
    fill(broker.port, everything)
    began = time.perf_counter()
    worker, thread = begin()
    while worker.committed < len(everything):
        time.sleep(0.005)
    seconds = time.perf_counter() - began
    worker.stop()
    thread.join()
    return len(everything) / seconds


def copy(server, everything):
    """COPY of rows that are ready, straight into the indexed table."""
    conninfo = server.database()
    from capture.historian.migrate import migrate  # noqa: PLC0415 - of this part only

    with psycopg.connect(conninfo, autocommit=True) as connection:
        migrate(connection)
        connection.execute(
            "CREATE TABLE benchtally.readings_2026_01 PARTITION OF benchtally.readings "
            "FOR VALUES FROM ('2026-01-01 00:00:00+00') TO ('2026-02-01 00:00:00+00')"
        )
        rows = [row_of(topic, payload).columns for topic, payload in everything]
        names = ", ".join(COLUMNS["readings"])
        began = time.perf_counter()
        for first in range(0, len(rows), 2000):
            with (
                connection.transaction(),
                connection.cursor().copy(f"COPY benchtally.readings ({names}) FROM STDIN") as into,
            ):
                for row in rows[first : first + 2000]:
                    into.write_row(row)
        return len(rows) / (time.perf_counter() - began)


if __name__ == "__main__":
    main()
