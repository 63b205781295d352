"""Far ends of every kind, and reading a whole message from a link."""

import importlib.util
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # helpers are shared by these tests

from usbtmc_answers import ANSWERS


def _load(name):
    """Load a file of tests/bench, which is no package."""
    if name not in sys.modules:
        path = Path(__file__).parents[2] / "bench" / f"{name}.py"
        spec = importlib.util.spec_from_file_location(name, path)
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


@pytest.fixture
def far_ends():
    return _load("far_ends")


@pytest.fixture
def open_link():
    """Open links of far ends; close both afterwards."""
    ends, links = [], []

    def open_(end):
        ends.append(end)
        links.append(end.make_link())
        links[-1].open()
        return links[-1]

    yield open_
    for each in (*links, *ends):
        each.close()


@pytest.fixture
def quickest():
    """Give the seconds that the quickest of several takes: what a busy machine adds is not ours."""

    def quickest_(do, times=5):
        took = []
        for _ in range(times):
            began = time.monotonic()
            do()
            took.append(time.monotonic() - began)
        return min(took)

    return quickest_


@pytest.fixture
def repeatedly():
    """Do something again and again: a peer that went is not noticed by the first write to it."""

    def repeat(do, times=100):
        for _ in range(times):
            do()

    return repeat


@pytest.fixture
def whole():
    """Read a message to its end, or a line, in as many reads as it takes."""

    def whole_(link, empty_reads=8):
        data = b""
        while empty_reads:
            part, ended = link.read(65536, 0.25)
            data += part
            empty_reads -= not part
            if ended or (not link.message_based and data.endswith(b"\n")):
                return data
        raise AssertionError(f"no end after {data!r}")

    return whole_


@pytest.fixture
def device(far_ends, open_link):
    """Make a far end with these departures and open our link to it."""

    def make(departures=None, *, settings=None, delay=0.0, **more):
        counter = far_ends.Counter(ANSWERS, delay=delay)
        end = far_ends.UsbEnd(counter, departures, settings, **more)
        return end, open_link(end)

    return make
