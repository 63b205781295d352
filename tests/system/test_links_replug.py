"""Whole workers on every kind of link, unplugged and plugged twenty times each.

tests/bench/replug.py does the same a hundred times and prints what it measured.
"""

import importlib.util
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import structlog

CYCLES = 20
KINDS = ["serial", "rfc2217", "tcp", "unix", "usbtmc", "usbtmc-kernel"]

pytestmark = [
    pytest.mark.takes(24),
    # pyserial 3.5 names its reader thread in a way that Python deprecates.
    pytest.mark.filterwarnings("ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning"),
]


@pytest.fixture(scope="module")
def replug():
    path = Path(__file__).parents[1] / "bench" / "replug.py"
    spec = importlib.util.spec_from_file_location("replug", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["replug"] = module  # its dataclass looks its module up
    spec.loader.exec_module(module)
    module.load_far_ends()
    return module


@pytest.fixture(scope="module")
def outcomes(replug, tmp_path_factory):
    """Every kind side by side: most of the time is the workers' own waiting."""
    with structlog.testing.capture_logs(), ThreadPoolExecutor(len(KINDS)) as pool:
        jobs = {
            kind: pool.submit(replug.run, kind, CYCLES, tmp_path_factory.mktemp(kind))
            for kind in KINDS
        }
    return {kind: job.result() for kind, job in jobs.items()}


@pytest.mark.parametrize("kind", KINDS)
def test_no_committed_reading_is_lost_and_the_next_comes_within_three_seconds(outcomes, kind):
    outcome = outcomes[kind]
    assert outcome.cycles == CYCLES
    assert outcome.lost == 0
    assert outcome.committed > CYCLES
    # At most the one reading that was under way at each pull.
    assert 0 <= outcome.under_way <= CYCLES
    assert outcome.worst < 3.0
