"""Benches with one job on them, as the tests of jobs want them."""

import sys
from pathlib import Path

import pytest

from capture.model.job import Overridden

sys.path.insert(0, str(Path(__file__).parent))  # helpers are shared by these tests

from jobs_bench import JobBench

SIX = ("112.6 µs", "112.4 µs", "112.9 µs", "112.7 µs", "112.8 µs", "112.5 µs")


@pytest.fixture
def bench(tmp_path):
    """A bench with a journal of its own."""
    made = JobBench(tmp_path)
    yield made
    made.close()


@pytest.fixture
def six():
    """The six times of a pulse comparison of a sound winding."""
    return SIX


@pytest.fixture
def coils(bench):
    """A job of three inductances, nothing in its way, watched."""
    bench.begin("three-pair-inductance")
    bench.watching()
    return bench


@pytest.fixture
def wet(bench):
    """A job of one insulation step (15, 30 and 60 s), watched."""
    bench.begin("insulation-one-minute", winding_celsius=22.0)
    bench.watching()
    return bench


@pytest.fixture
def pulses(bench):
    """A bench whose job is one pulse comparison, with nothing in its way."""
    bench.begin("pulse-six-readings")
    bench.act(Overridden(step="pulse", lock="insulation", reason="taken yesterday, on paper"))
    return bench
