"""A simulator as a child process, talked to through its standard streams."""

import os
import select
import sys
from pathlib import Path

import pytest

from simulators.child import Child

sys.path.insert(0, str(Path(__file__).parent))  # helpers are shared by these tests

WAIT = 60.0
"""Seconds until a test gives up; nothing waits that long when it works."""


@pytest.fixture
def simulate():
    running = []

    def start(*arguments):
        simulator = Child(*arguments)
        running.append(simulator)
        return simulator

    yield start
    for simulator in running:
        assert simulator.stop() == 0


def read_some(descriptor, size, wait=WAIT):
    """Return exactly `size` bytes, or fewer when the time is up or the other side has gone."""
    data = b""
    while len(data) < size:
        ready, _, _ = select.select([descriptor], [], [], wait)
        if not ready:
            break
        try:
            part = os.read(descriptor, size - len(data))
        except OSError:
            break
        if not part:
            break
        data += part
    return data


def read_until(descriptor, wanted, wait=WAIT):
    """Return what comes up to and with `wanted`."""
    data = b""
    while wanted not in data:
        part = read_some(descriptor, 1, wait)
        assert part, f"only {data!r} came"
        data += part
    return data


@pytest.fixture
def reader():
    return read_until


@pytest.fixture
def some():
    return read_some
