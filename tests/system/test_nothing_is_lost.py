"""Faults while readings pour in: whatever was committed arrives, once or more, in order."""

import itertools
import os
import resource
import signal
import time

import harness
import pytest

pytestmark = pytest.mark.takes(28)

LONG_FORM = os.environ.get("BENCHTALLY_LONG") == "1"
PULLS = 20


def values(entries, instrument="line"):
    """The numbers a counter sent, as they stand in the journal."""
    return [
        int(each.json()["digits"])
        for each in entries
        if each.kind == "reading" and each.instrument == instrument
    ]


def rises_by_one(numbers):
    return all(two == one + 1 for one, two in itertools.pairwise(numbers))


def hold(rig, counter):
    """Stop a counter, and wait until the last line it sent is in the journal."""
    last = int(counter.hand("stop").rpartition(" ")[2])
    harness.wait_until(lambda: values(rig.newest())[-1:] == [last], f"{last} in the journal")


def test_daemon_killed(rig, broker, subscriber):
    """kill -9 of the daemon under 1,000 readings/s, and a second start: all committed arrive."""
    counter, lines = rig.counter("line", 1000)
    rig.configure(broker.port, lines)
    first = rig.daemon()
    rig.wait_for_length(1000)
    first.signal(signal.SIGKILL)
    assert first.wait() == -signal.SIGKILL
    before = rig.length()
    second = rig.daemon()
    rig.wait_for_length(before + 1000)
    hold(rig, counter)
    rig.stop(second, subscriber)
    entries = rig.entries()
    # Inside one session nothing is lost either: the simulator waits for us.
    sessions = itertools.groupby(entries, key=lambda each: each.json()["session"])
    runs = [values(each) for _, each in sessions]
    assert len(runs) == 2
    assert all(rises_by_one(run) for run in runs)
    assert runs[0][-1] < runs[1][0]


def test_publisher_killed(rig, broker, subscriber):
    """kill -9 of the publisher: capture goes on, another publisher takes over, all arrive."""
    counter, lines = rig.counter("line", 1000)
    rig.configure(broker.port, lines)
    daemon = rig.daemon()
    rig.wait_for_length(1000)
    subscriber.wait_for(harness.is_state("state", "online"), "the publisher")
    for turn in (1, 2):
        victim = daemon.publisher()
        since = subscriber.count()
        os.kill(victim, signal.SIGKILL)
        daemon.wait_for("publisher.died", turn)
        subscriber.wait_for(harness.is_state("state", "offline"), "the will", since=since)
        daemon.wait_for("publisher.started", turn + 1)
        subscriber.wait_for(harness.is_state("state", "online"), "a new publisher", since=since)
    rig.wait_for_length(rig.length() + 500)
    hold(rig, counter)
    rig.stop(daemon, subscriber)
    assert rises_by_one(values(rig.entries()))


def test_everything_killed_at_once(rig, broker, subscriber):
    """A power cut's worth: daemon and publisher die together; the will speaks, a start recovers."""
    counter, lines = rig.counter("line", 1000)
    rig.configure(broker.port, lines)
    first = rig.daemon()
    rig.wait_for_length(1000)
    subscriber.wait_for(harness.is_state("state", "online"), "the publisher")
    since = subscriber.count()
    first.signal_all(signal.SIGKILL)
    first.wait()
    subscriber.wait_for(harness.is_state("state", "offline"), "the will", since=since)
    second = rig.daemon()
    subscriber.wait_for(harness.is_state("state", "online"), "a second start", since=since)
    rig.wait_for_length(rig.length() + 500)
    hold(rig, counter)
    rig.stop(second, subscriber)


@pytest.mark.parametrize("seconds", [60 if LONG_FORM else 2])
def test_broker_away(rig, broker, subscriber, seconds):
    """The broker is stopped for a while: what is captured meanwhile arrives after, in order."""
    counter, lines = rig.counter("line", 1000)
    rig.configure(broker.port, lines)
    daemon = rig.daemon()
    rig.wait_for_length(1000)
    subscriber.wait_for(harness.is_state("state", "online"), "the publisher")
    broker.stop()
    away = rig.length()
    rig.wait_for_length(away + seconds * 900, seconds=harness.LONG + 3 * seconds)
    assert daemon.wait_for("broker.away")["reason"].startswith("broker 127.0.0.1:")
    arrived = len(subscriber.entries())
    broker.start()
    hold(rig, counter)
    daemon.wait_for("broker.connected", 2)
    rig.check_delivery(subscriber, seconds=harness.LONG + 2 * seconds)
    assert len(subscriber.entries()) >= arrived + seconds * 900
    assert daemon.stop() == 0, daemon.said()
    assert rises_by_one(values(rig.entries()))


def test_stopped_while_the_broker_is_away(rig, broker, subscriber):
    """A clean stop without a broker loses nothing: the next start delivers it, the same ids."""
    counter, lines = rig.counter("line", 500)
    rig.configure(broker.port, lines)
    first = rig.daemon()
    rig.wait_for_length(200)
    broker.stop()
    rig.wait_for_length(rig.length() + 300)
    hold(rig, counter)
    assert first.stop() == 0, first.said()
    kept = [each.id for each in rig.entries()]
    broker.start()
    second = rig.daemon()
    subscriber.wait_for_ids(kept)
    rig.stop(second, subscriber)
    assert [each.id for each in rig.entries()][: len(kept)] == kept


def test_cable_pulled_and_put_back(rig, broker, subscriber):
    """A serial and a network cable pulled 20 times: each time capture comes back by itself."""
    serial, serial_lines = rig.counter("line", 200)
    network = rig.simulate(
        "counter", "--tcp", "0", "--lossless", "--rate", 200, "-o", "catch_up=no"
    )
    port = int(network.ready["tcp"].rpartition(":")[2])
    rig.configure(broker.port, serial_lines, rig.lines("net", host="127.0.0.1", port=port))
    daemon = rig.daemon()
    for _ in range(PULLS):
        since = subscriber.count()
        for name in ("line", "net"):
            subscriber.wait_for(harness.is_reading(name), f"a reading of {name}", since=since)
        since = subscriber.count()
        for cable in (serial, network):
            cable.hand("unplug")
        for name in ("line", "net"):
            topic = f"instrument/{name}/state"
            subscriber.wait_for(harness.is_state(topic, "waiting"), f"{name} waits", since=since)
        for cable in (serial, network):
            cable.hand("plug")
        for name in ("line", "net"):
            topic = f"instrument/{name}/state"
            subscriber.wait_for(harness.is_state(topic, "running"), f"{name} is back", since=since)
    since = subscriber.count()
    for name in ("line", "net"):
        subscriber.wait_for(harness.is_reading(name), f"a reading of {name}", since=since)
    rig.stop(daemon, subscriber)
    entries = rig.entries()
    for name in ("line", "net"):
        sessions = {each.json()["session"] for each in entries if each.instrument == name}
        assert len(sessions) == PULLS + 1
        numbers = values(entries, name)
        assert numbers == sorted(set(numbers))


def test_publisher_that_hangs_holds_nobody_up(rig, broker, subscriber):
    """A publisher that stands still (SIGSTOP) leaves capture at its rate, and catches up after."""
    counter, lines = rig.counter("line", 1000)
    rig.configure(broker.port, lines)
    daemon = rig.daemon()
    rig.wait_for_length(500)
    subscriber.wait_for(harness.is_state("state", "online"), "the publisher")
    first, began = rig.length(), time.monotonic()
    rig.wait_for_length(first + 500)
    usual = time.monotonic() - began
    os.kill(daemon.publisher(), signal.SIGSTOP)
    began = rig.length()
    # At 1,000/s, or at what this machine can do beside a publisher that is well, which takes more.
    rig.wait_for_length(began + 2000, seconds=5 + 3 * 4 * usual)
    arrived = len(subscriber.entries())
    assert arrived < began + 500
    os.kill(daemon.publisher(), signal.SIGCONT)
    hold(rig, counter)
    rig.check_delivery(subscriber)
    assert daemon.stop() == 0, daemon.said()
    assert rises_by_one(values(rig.entries()))


def test_disk_full(rig, broker, subscriber):
    """A disk without room: the worker holds its batch, says so, and goes on from there.

    The limit on the size of files (RLIMIT_FSIZE) stands for the full disk: writes fail part-way,
    and room comes back later.
    """
    counter, lines = rig.counter("line", 500)
    rig.configure(broker.port, lines)
    daemon = rig.daemon()
    rig.wait_for_length(200)
    wal = rig.journal.with_name(rig.journal.name + "-wal")
    _soft, hard = resource.prlimit(daemon.pid, resource.RLIMIT_FSIZE)
    full = max(wal.stat().st_size, daemon.output.stat().st_size) + 8192
    resource.prlimit(daemon.pid, resource.RLIMIT_FSIZE, (full, hard))
    waiting = subscriber.wait_for(
        harness.is_state("instrument/line/state", "waiting"), "the worker waits"
    ).json()
    assert "disk is full" in waiting["reason"]
    assert str(rig.journal) in waiting["reason"]
    stalled = rig.length()
    resource.prlimit(daemon.pid, resource.RLIMIT_FSIZE, (hard, hard))
    rig.wait_for_length(stalled + 500)
    hold(rig, counter)
    rig.stop(daemon, subscriber)
    entries = rig.entries()
    gaps = [each for each in entries if each.kind == "gap"]
    assert len(gaps) == 1
    gap = gaps[0].json()
    assert gap["instrument"] == "line"
    assert gap["begin"] < gap["end"]
    assert rises_by_one(values(entries))
