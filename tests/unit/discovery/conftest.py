"""Simulated instruments behind links, on a clock that moves only when somebody waits."""

import random

import pytest

from capture.cli.ports import _candidates
from capture.clock import ManualClock
from capture.errors import LinkOpenError
from simulators import catalogue

_LONGEST_STEP = 0.05


class SimulatedLink:
    """A link to an instrument of the catalogue; everything that is written is kept.

    At another rate than the instrument's own, either side gets noise for what the other says.
    """

    message_based = False
    description = "simulated"

    def __init__(self, instrument, clock, written, *, baud=None, at=None):
        self._instrument = instrument
        self._clock = clock
        self._written = written
        self._noise = random.Random(3) if baud is not None and baud != at else None
        self._out = bytearray()
        self._open = False

    def open(self):
        self._open = True
        self._out.clear()

    def close(self):
        self._open = False

    def resync(self):
        assert self._open
        self._out.clear()

    def write(self, data):
        assert self._open
        self._written.append(data)
        data = self._heard_as(data)
        self._out += self._heard_as(self._instrument.received(data, self._clock.monotonic()))

    def read(self, limit, timeout):
        assert self._open
        end = self._clock.monotonic() + timeout
        while True:
            now = self._clock.monotonic()
            self._out += self._heard_as(self._instrument.spoken(now))
            if self._out or now >= end:
                break
            wake = self._instrument.wake_at()
            step = min(_LONGEST_STEP, end - now)
            if wake is not None and wake > now:
                step = min(step, wake - now)
            self._clock.advance(max(step, 1e-4))
        data = bytes(self._out[:limit])
        del self._out[:limit]
        return data, False

    def _heard_as(self, data):
        return data if self._noise is None else self._noise.randbytes(len(data))


class Bench:
    """One instrument at a port; makes links to it as a probe asks for them."""

    def __init__(self, instrument, baud=None):
        self.clock = ManualClock()
        self.instrument = instrument
        self.baud = baud
        self.written = []
        self.tables = []

    def make_link(self, table):
        self.tables.append(table)
        return self.link(table.get("baud"))

    def link(self, at=None):
        return SimulatedLink(self.instrument, self.clock, self.written, baud=self.baud, at=at)


class Absent:
    """A port that will not open."""

    message_based = False

    def open(self):
        raise LinkOpenError("/dev/ttyUSB0: no such port")

    def close(self):
        pass


@pytest.fixture
def bench():
    """Put an instrument of the catalogue at a port."""

    def made(kind, baud=None, **options):
        return Bench(catalogue.make(kind, {k: str(v) for k, v in options.items()}), baud)

    return made


@pytest.fixture
def bench_of():
    """Put any instrument at a port."""
    return Bench


@pytest.fixture
def absent():
    return Absent()


@pytest.fixture(scope="session")
def candidates():
    """Every built-in driver with every built-in profile."""
    return list(_candidates())
