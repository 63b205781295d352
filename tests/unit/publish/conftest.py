"""Fixtures of the publisher's tests: a broker that follows a script, and a pump that talks to it."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # the scripted broker is shared by these tests

from scripted import Broker, Setup


@pytest.fixture
def setup(tmp_path):
    """Start a broker with scripts and a pump on a journal with so many readings."""
    made = []

    def make(*scripts, entries=(), **options):
        broker = Broker(*scripts)
        it = Setup(tmp_path, broker.port, **options)
        made.append((it, broker))
        it.broker = broker
        it.store.append(entries)
        it.thread.start()
        return it

    yield make
    for it, broker in made:
        it.stop()
        broker.end()
