"""Readings a second from a full broker into PostgreSQL, against two programs written by hand.

A consumer that only counts, and COPY of the same rows, ready beforehand, into the same table with the
same indexes. Every run has a broker of its own, in which all messages wait when the consumer begins, so
no producer limits it. How busy the broker was is told beside it: below a whole processor, it was not what
limited. PostgreSQL syncs (fsync on), as in a plant.
"""

import statistics
import subprocess
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import harness
import paho.mqtt.client as mqtt
import psycopg
from consumers import BARE, SINK
from crowd import cpu
from figure import ratio
from historian_bench import Historian
from postgres import Postgres
from rig import Rig

from capture.historian.intake import COLUMNS, row_of
from capture.historian.migrate import migrate
from capture.journal import Row
from capture.model import ReadingDraft, Streamed, new_id
from capture.publish.cloudevents import CloudEvents

_FROM = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
_INSTRUMENTS = 8
_COPY_BATCH = 2000
_LONGEST = 600


def figures(readings, repeat):
    """Run all in turn, A B C A B C, so that a slow minute of the machine hits each."""
    everything = list(messages(readings))
    plain = [(topic, payload, None) for topic, payload, _ in everything]
    server = Postgres(durable=True)
    runs = {
        "bare": lambda rig: _bare(rig, plain),
        "sink": lambda rig: _sink(rig, server, plain),
        "copy": lambda _rig: (_copy(server, plain), 0.0),
        "bare, events": lambda rig: _bare(rig, everything),
        "sink, events": lambda rig: _sink(rig, server, everything),
    }
    found = {name: [] for name in runs}
    busy = {name: [] for name in runs}
    try:
        with tempfile.TemporaryDirectory() as folder:
            for turn in range(repeat):
                for name, run in runs.items():
                    place = Path(folder) / f"{turn}-{name.replace(', ', '-')}"
                    place.mkdir()
                    rig = Rig(place)
                    try:
                        rate, broker = run(rig)
                    finally:
                        rig.close()
                    found[name].append(rate)
                    busy[name].append(broker)
    finally:
        server.end()
    yield _with_broker(
        ratio(
            "historian, readings/s, against a bare consumer", found["sink"], found["bare"], 0.7
        ),
        busy["sink"], busy["bare"],
    )  # fmt: skip
    yield ratio("… against COPY alone into the same table", found["sink"], found["copy"], 0.2)
    yield _with_broker(
        ratio("… with CloudEvents properties", found["sink, events"], found["bare, events"], 0.7),
        busy["sink, events"], busy["bare, events"],
    )  # fmt: skip


def _with_broker(figure, ours, theirs):
    """Tell how busy the broker was beside a figure."""
    ours, theirs = (f"{statistics.median(shares):.0%}" for shares in (ours, theirs))
    detail = f"{figure.detail}; broker's processor {ours} and {theirs}"
    return type(figure)(figure.name, figure.value, figure.goal, figure.holds, detail)


def messages(count):
    """Give topic, payload and CloudEvents properties of so many readings, as a bench sends them."""
    source = Streamed(driver="bench", driver_version="1", link="memory")
    events = CloudEvents(harness.SITE, harness.BENCH)
    for n in range(count):
        reading = ReadingDraft(
            id=new_id(), site=harness.SITE, bench=harness.BENCH, instrument=f"meter-{n % _INSTRUMENTS}",
            time=_FROM + timedelta(milliseconds=n), quantity="resistance", unit="Ohm", value=n / 1000,
            digits=str(n), shown_unit="mOhm", status="ok", source=source,
        )  # fmt: skip
        body = f'{reading.model_dump_json()[:-1]},"sequence":{n // _INSTRUMENTS + 1}}}'.encode()
        row = Row(
            n=n + 1, key=reading.id.bytes, kind="reading", instrument=reading.instrument,
            subject=reading.quantity, body=body,
        )  # fmt: skip
        topic = f"{harness.ROOT}/reading/{reading.instrument}/{reading.quantity}"
        yield topic, body, events.properties(row)


def _bare(rig, everything):
    broker = rig.mosquitto()
    arguments = ["-c", BARE, str(broker.port), f"{harness.ROOT}/#"]
    _consume(rig, broker, [*arguments, "0"])
    _fill(broker.port, everything)
    return _consume(rig, broker, [*arguments, str(len(everything))])


def _sink(rig, server, everything):
    broker = rig.mosquitto()
    historian = Historian(rig, broker.port, server.database())
    arguments = ["-c", SINK, str(historian.config)]
    _consume(rig, broker, [*arguments, "0"])
    _fill(broker.port, everything)
    found = _consume(rig, broker, [*arguments, str(len(everything))])
    assert historian.count() == len(everything)
    return found


def _consume(rig, broker, arguments):
    """Run a consumer; give messages a second, and the part of a processor that the broker took."""
    wanted = int(arguments[-1])
    process = subprocess.Popen(
        [*harness.PYTHON, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    rig.own(process, "kill")
    assert process.stdout.readline() == "ready\n"
    before = cpu([broker.child.pid])
    process.stdin.write("go\n")
    process.stdin.flush()
    seconds = float(process.stdout.readline())
    used = cpu([broker.child.pid]) - before
    process.communicate(timeout=_LONGEST)
    return wanted / seconds, used / seconds


def _fill(port, everything):
    """Publish it all, and wait until the broker has it."""
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.max_queued_messages_set(0)
    client.connect("127.0.0.1", port)
    client.loop_start()
    last = None
    for topic, payload, properties in everything:
        last = client.publish(topic, payload, qos=1, properties=properties)
        if last.mid % 2000 == 0:
            last.wait_for_publish(harness.LONG)
    last.wait_for_publish(_LONGEST)
    client.disconnect()
    client.loop_stop()


def _copy(server, everything):
    """COPY of rows that are ready, straight into the indexed table."""
    rows = [row_of(topic, payload).columns for topic, payload, _ in everything]
    names = ", ".join(COLUMNS["readings"])
    with psycopg.connect(server.database(), autocommit=True) as connection:
        migrate(connection)
        connection.execute(
            "CREATE TABLE benchtally.readings_2026_01 PARTITION OF benchtally.readings "
            "FOR VALUES FROM ('2026-01-01 00:00:00+00') TO ('2026-02-01 00:00:00+00')"
        )
        began = time.perf_counter()
        for first in range(0, len(rows), _COPY_BATCH):
            with (
                connection.transaction(),
                connection.cursor().copy(f"COPY benchtally.readings ({names}) FROM STDIN") as into,
            ):
                for row in rows[first : first + _COPY_BATCH]:
                    into.write_row(row)
        return len(rows) / (time.perf_counter() - began)
