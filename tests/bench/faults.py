"""Faults under load, as a table: what was committed, what arrived, and how long recovery took.

    python -P tests/bench/faults.py [--away SECONDS] [--pulls N]

Each row is a run of its own: the counter simulator sends 1,000 lines a second over a pseudo-
terminal (without loss of its own), a subscriber with a session that mosquitto keeps records
everything, and the journal is read with plain sqlite3. Gaps are breaks in the sequence numbers of
what was committed. Recovery is the longest time from the end of a fault (the new start, the kill
where the daemon itself starts anew, the broker's start, the plug) until a reading made after it is
at the subscriber, so a backlog that is delivered first counts in.
"""

import argparse
import os
import signal
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "system"))

import harness
from rig import Rig

RATE = 1000


def recovery(subscriber, began, seconds=60):
    """Wait for a reading made after `began`; give the seconds until it arrived."""
    stamp = time.time() - (time.monotonic() - began)
    text = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(stamp)) + f"{stamp % 1:.6f}"[1:]
    found = subscriber.wait_for(
        lambda m: harness.is_reading("line")(m) and m.json()["time"] > text,
        "a reading after the fault",
        since=max(0, subscriber.count() - 2 * RATE),
        seconds=seconds,
    )
    return found.at - began


def daemon_killed(rig, _broker, subscriber, _given, _counter):
    """kill -9 of the daemon, five times."""
    daemon, worst = rig.daemon(), 0.0
    for _ in range(5):
        rig.wait_for_length(rig.length() + 2 * RATE)
        daemon.signal(signal.SIGKILL)
        daemon.wait()
        began = time.monotonic()
        daemon = rig.daemon()
        worst = max(worst, recovery(subscriber, began))
    rig.wait_for_length(rig.length() + RATE)
    return daemon, worst


def publisher_killed(rig, _broker, subscriber, _given, _counter):
    """kill -9 of the publisher, five times."""
    daemon, worst = rig.daemon(), 0.0
    for turn in range(1, 6):
        rig.wait_for_length(rig.length() + 2 * RATE)
        os.kill(daemon.publisher(), signal.SIGKILL)
        began = time.monotonic()
        daemon.wait_for("publisher.died", turn)
        daemon.wait_for("publisher.started", turn + 1)
        worst = max(worst, recovery(subscriber, began))
    rig.wait_for_length(rig.length() + RATE)
    return daemon, worst


def broker_away(rig, broker, subscriber, given, _counter):
    """The broker stopped and started again."""
    daemon = rig.daemon()
    rig.wait_for_length(2 * RATE)
    broker.stop()
    rig.wait_for_length(rig.length() + int(given.away * RATE), seconds=3 * given.away)
    broker.start()
    began = time.monotonic()
    return daemon, recovery(subscriber, began, 60 + given.away)


def cable_pulled(rig, _broker, subscriber, given, counter):
    """The pseudo-terminal closed and opened again, under the same name."""
    daemon, worst = rig.daemon(), 0.0
    for _ in range(given.pulls):
        since = subscriber.count()
        subscriber.wait_for(harness.is_reading("line"), "a reading", since=since)
        counter.hand("unplug")
        subscriber.wait_for(
            harness.is_state("instrument/line/state", "waiting"), "it waits", since=since
        )
        counter.hand("plug")
        worst = max(worst, recovery(subscriber, time.monotonic()))
    return daemon, worst


def run(folder, title, fault, given):
    rig = Rig(folder)
    try:
        broker = rig.mosquitto()
        subscriber = rig.subscriber(broker)
        counter, lines = rig.counter("line", RATE, catch_up=True)
        rig.configure(broker.port, lines)
        daemon, worst = fault(rig, broker, subscriber, given, counter)
        last = counter.hand("stop").rpartition(" ")[2]
        harness.wait_until(lambda: rig.entries()[-1].json().get("digits") == last, "the last line")
        subscriber.wait_for_ids([each.id for each in rig.entries()], 120)
        assert daemon.stop() == 0, daemon.said()
        entries = rig.entries()
        subscriber.wait_for_ids([each.id for each in entries])
        verdict = harness.compare(entries, subscriber.entries())
        good = harness.chain_holds(entries) and verdict.in_order and verdict.same_bytes
        sys.stdout.write(
            f"{title:30}{verdict.committed:>10}{verdict.arrived:>14}{verdict.missing:>9}"
            f"{verdict.gaps:>6}{verdict.duplicates:>12}{worst:>10.2f} s   "
            f"{'yes' if good else 'NO'}\n"
        )
        sys.stdout.flush()
        return good and not (verdict.missing or verdict.gaps or verdict.foreign)
    finally:
        rig.close()


def main():
    parser = argparse.ArgumentParser(description="Faults under 1,000 readings a second.")
    parser.add_argument("--away", type=float, default=60, help="seconds without a broker")
    parser.add_argument("--pulls", type=int, default=20, help="times the cable is pulled")
    given = parser.parse_args()
    sys.stdout.write(
        f"{'fault, at 1,000 readings/s':30}{'committed':>10}{'at subscriber':>14}{'missing':>9}"
        f"{'gaps':>6}{'duplicates':>12}{'recovery':>12}   in order, same bytes, chain holds\n"
    )
    rows = [
        ("daemon killed -9, 5 times", daemon_killed),
        ("publisher killed -9, 5 times", publisher_killed),
        (f"broker away {given.away:g} s", broker_away),
        (f"cable pulled {given.pulls} times", cable_pulled),
    ]
    with tempfile.TemporaryDirectory() as folder:
        results = []
        for number, (title, fault) in enumerate(rows):
            place = Path(folder) / str(number)
            place.mkdir()
            results.append(run(place, title, fault, given))
    return 0 if all(results) else 1


if __name__ == "__main__":
    sys.exit(main())
