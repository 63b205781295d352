"""A journal with a log that does not hold, and the configuration of its bench."""

import sys
from pathlib import Path

import pytest

from capture.config import Config

sys.path.insert(0, str(Path(__file__).parent))  # helpers are shared by these tests

from after_a_kill import left_by_a_kill


@pytest.fixture
def killed(tmp_path, drafts):
    """A journal as a killed daemon leaves it, a bit of its log changed; eight commits in the log."""
    return left_by_a_kill(tmp_path, drafts)


@pytest.fixture
def config(tmp_path):
    made = Config(site="sawmill", bench="bench-1", journal={"path": "benchtally.journal"})
    made._folder = tmp_path
    return made
