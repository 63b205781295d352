"""Five hundred benches at one broker and one historian: does it keep up, how late, at what cost.

    python -P tests/bench/many_benches.py [--benches 500] [--rate 2] [--seconds 30] [--slots 2]

A process publishes readings as that many benches would (their own topics and counts, over few
connections), each so many a second. Measured: readings stored a second, the time from publishing to
the commit, the workers' processor time and memory, and what was missing in the end.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "system"))

import harness
import paho.mqtt.client as mqtt
from historian_bench import Historian
from postgres import Postgres
from rig import Rig

from capture.model import ReadingDraft, Streamed, new_id

_CONNECTIONS = 10


def publish(port, benches, rate, seconds):
    """Be the benches."""
    source = Streamed(driver="bench", driver_version="1", link="memory")
    clients = []
    for n in range(_CONNECTIONS):
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, f"benches-{n}", protocol=mqtt.MQTTv5)
        client.max_queued_messages_set(0)
        client.connect("127.0.0.1", port)
        client.loop_start()
        clients.append(client)
    began, sent, last = time.monotonic(), 0, None
    total = int(benches * rate * seconds)
    while sent < total:
        due = min(total, int((time.monotonic() - began) * benches * rate) + 1)
        while sent < due:
            which, sequence = sent % benches, sent // benches + 1
            reading = ReadingDraft(
                id=new_id(), site=f"plant-{which // 10}", bench=f"bench-{which % 10}",
                instrument="ohm", time=datetime.now(UTC), quantity="resistance", unit="Ohm",
                value=float(sequence), digits=str(sequence), shown_unit="Ohm", status="ok",
                source=source,
            )  # fmt: skip
            body = reading.model_dump_json()[:-1] + f',"sequence":{sequence}}}'
            topic = f"benchtally/v1/{reading.site}/{reading.bench}/reading/ohm/resistance"
            last = clients[which % _CONNECTIONS].publish(topic, body, qos=1)
            sent += 1
        time.sleep(0.005)
    last.wait_for_publish(60)
    for client in clients:
        client.disconnect()
        client.loop_stop()


def processor_seconds(pid):
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / 100


def resident(pid):
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) / 1024
    return 0.0


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--benches", type=int, default=500)
    parser.add_argument("--rate", type=float, default=2, help="readings a second and bench")
    parser.add_argument("--seconds", type=float, default=30)
    parser.add_argument("--slots", type=int, default=2)
    parser.add_argument("--publish", type=int, metavar="PORT", help="be the benches (internal)")
    given = parser.parse_args()
    if given.publish:
        publish(given.publish, given.benches, given.rate, given.seconds)
        return
    server = Postgres(durable=True)
    with tempfile.TemporaryDirectory() as folder:
        rig = Rig(Path(folder))
        try:
            measure(rig, server, given)
        finally:
            rig.close()
            server.end()


def measure(rig, server, given):
    broker = rig.mosquitto()
    historian = Historian(rig, broker.port, server.database(), slots=given.slots)
    workers = [historian.worker() for _ in range(given.slots)]
    for each in workers:
        historian.listening(each)
    before = [processor_seconds(each.pid) for each in workers]
    began = time.monotonic()
    command = [
        *harness.PYTHON,
        __file__,
        "--publish",
        str(broker.port),
        "--benches",
        str(given.benches),
    ]
    subprocess.run(
        [*command, "--rate", str(given.rate), "--seconds", str(given.seconds)], check=True
    )
    total = int(given.benches * given.rate * given.seconds)
    harness.wait_until(lambda: historian.count() >= total, f"{total} readings", 120)
    seconds = time.monotonic() - began
    cpu = [processor_seconds(each.pid) - was for each, was in zip(workers, before, strict=True)]
    ((median, high, worst),) = historian.rows(
        "SELECT percentile_cont(0.5) WITHIN GROUP (ORDER BY late), "
        "percentile_cont(0.99) WITHIN GROUP (ORDER BY late), max(late) FROM "
        "(SELECT extract(epoch FROM stored_at - time) AS late FROM benchtally.readings) AS each"
    )
    ((heard,),) = historian.rows("SELECT count(*) FROM benchtally.instruments")
    ((holes,),) = historian.rows(
        "SELECT count(*) FROM (SELECT max(sequence) - count(*) AS missing FROM benchtally.readings "
        "GROUP BY site, bench) AS each WHERE missing > 0"
    )
    print(
        f"{heard} benches at {given.rate:g} readings a second: {total} readings stored in "
        f"{seconds:.0f} s; from the reading's time to its transaction's begin: median "
        f"{float(median) * 1000:.0f} ms, 99 % {float(high) * 1000:.0f} ms, worst {float(worst) * 1000:.0f} ms; "
        f"benches with holes {holes}; {given.slots} workers: "
        f"{', '.join(f'{100 * each / seconds:.0f} %' for each in cpu)} of a processor, "
        f"{', '.join(f'{resident(each.pid):.0f}' for each in workers)} MiB at most"
    )


if __name__ == "__main__":
    main()
