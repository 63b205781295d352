"""A simulator as a child process, talked to through its standard streams."""

import json
import os
import select
import subprocess
import sys

import pytest

WAIT = 10.0
"""Seconds until a test gives up; nothing waits that long when it works."""


class Simulator:
    """A running `python -P -m simulators`; `ready` is its line of JSON."""

    def __init__(self, *arguments):
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-m", "simulators", *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        self._lines = bytearray()
        self.ready = json.loads(self.line())

    def line(self):
        while b"\n" not in self._lines:
            ready, _, _ = select.select([self.process.stdout], [], [], WAIT)
            assert ready, "the simulator says nothing"
            data = os.read(self.process.stdout.fileno(), 65536)
            assert data, self.process.stderr.read().decode()
            self._lines += data
        line, _, rest = self._lines.partition(b"\n")
        self._lines = rest
        return line.decode()

    def hand(self, command):
        self.process.stdin.write(command.encode() + b"\n")
        self.process.stdin.flush()
        return self.line()

    def end(self):
        self.process.terminate()
        self.process.communicate(timeout=WAIT)
        return self.process.returncode


@pytest.fixture
def simulate():
    running = []

    def start(*arguments):
        simulator = Simulator(*arguments)
        running.append(simulator)
        return simulator

    yield start
    for simulator in running:
        assert simulator.process.returncode is not None or simulator.end() == 0


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
