"""The host's clock steps under a running bench: nothing is lost, reordered or stored twice.

The daemon and its publisher see a clock that Debian's libfaketime steps; the host's own is never
touched, and monotonic time runs on, as it does when a real clock is stepped.
"""

import glob
import itertools
from datetime import datetime, timedelta

import harness
import pytest


@pytest.fixture
def steps(tmp_path):
    """Give the environment of a child whose clock can be stepped, and what steps it."""
    libraries = glob.glob("/usr/lib/*/faketime/libfaketimeMT.so.1")  # noqa: PTH207 - an absolute pattern
    assert libraries, "this test needs Debian's faketime; install it: apt-get install faketime"
    file = tmp_path / "clock"

    def step(offset):
        new = tmp_path / "clock.new"
        new.write_text(f"{offset:+d}s\n")
        new.replace(file)

    step(0)
    environment = {
        "LD_PRELOAD": libraries[0],
        "FAKETIME_TIMESTAMP_FILE": str(file),
        "FAKETIME_NO_CACHE": "1",
        "DONT_FAKE_MONOTONIC": "1",
    }
    return environment, step


def digits(entries):
    """The numbers that the counter sent, as they stand in the journal."""
    return [int(entry.json()["digits"]) for entry in entries]


def test_steps_of_the_clock_lose_and_reorder_nothing(rig, steps):
    environment, step = steps
    broker = rig.mosquitto()
    subscriber = rig.subscriber(broker)
    counter, lines = rig.counter("line", 500)
    rig.configure(broker.port, lines)
    daemon = rig.daemon(environment=environment)
    rig.wait_for_length(300)
    for offset in (-3600, 7200, -30 * 86400, 0):
        step(offset)
        rig.wait_for_length(rig.length() + 300)
    last = int(counter.hand("stop").rpartition(" ")[2])
    harness.wait_until(lambda: digits(rig.newest())[-1:] == [last], f"{last} in the journal")
    rig.stop(daemon, subscriber)
    entries = rig.entries()
    assert harness.sequence_gaps(entries) == 0
    bodies = [entry.json() for entry in entries]
    assert digits(entries) == list(range(digits(entries)[0], last + 1))
    ids = [body["id"] for body in bodies]
    assert ids == sorted(set(ids))
    times = [datetime.fromisoformat(body["time"]) for body in bodies]
    leaps = [after - before for before, after in itertools.pairwise(times)]
    assert min(leaps) < timedelta(days=-29), "the clock did step back"
    assert max(leaps) > timedelta(days=29), "and forward"
    verified = rig.command("journal", "verify")
    assert "all as they should be" in verified
