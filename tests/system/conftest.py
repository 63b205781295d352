"""Fixtures of the system tests: whole benches of real programs."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # harness and rig are shared by these tests

from historian_bench import Postgres
from rig import Rig

from capture.historian.store import Database


@pytest.fixture
def rig(tmp_path):
    """A bench of its own; afterwards nothing runs any more, and nothing printed a traceback."""
    made = Rig(tmp_path, quick=True)
    yield made
    made.close()
    found = made.tracebacks()
    assert not found, found[0].read_text("utf-8", "replace")


@pytest.fixture
def broker(rig):
    """A real mosquitto that keeps what it acknowledged."""
    return rig.mosquitto()


@pytest.fixture
def subscriber(rig, broker):
    """A subscriber whose session the broker keeps, there before anything is published."""
    return rig.subscriber(broker)


@pytest.fixture(scope="session")
def server():
    """A real PostgreSQL; making one takes seconds, and each test has a database of its own in it."""
    made = Postgres()
    yield made
    made.end()


@pytest.fixture
def conninfo(server):
    """A database of its own, and how to reach it."""
    return server.database()


@pytest.fixture
def database(historian):
    """The historian's tables, as a worker opens them."""
    made = Database(historian.conninfo, "")
    made.prepare()
    yield made
    made.close()
