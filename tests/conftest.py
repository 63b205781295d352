"""What every test shares: no thread outlives its test, and drafts made in one place."""

import gc
import importlib.util
import os
import signal
import sys
import threading
import time
import uuid
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import settings

from capture.model import ReadingDraft, Streamed, new_id

# A shared machine stalls now and then; a slow example is not a wrong one.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # Started in the background of a shell, this process and all its children would not hear Ctrl-C,
    # and some tests send it to a child.
    signal.signal(signal.SIGINT, signal.default_int_handler)

settings.register_profile("benchtally", deadline=None, print_blob=True)
settings.load_profile("benchtally")

_LONG = 60.0
"""Seconds until a test gives up; nothing waits that long when it works."""


@pytest.hookimpl(wrapper=True)
def pytest_collection():
    """Keep what stands to the end, half a million objects, out of every collection of garbage."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


def pytest_collection_modifyitems(items):
    """Begin with what says that it takes long: begun last, all would wait for it."""

    def seconds(item):
        mark = item.get_closest_marker("takes")
        return mark.args[0] if mark else 0

    items.sort(key=seconds, reverse=True)


@pytest.fixture(autouse=True)
def no_thread_is_left():
    """Fail a test that leaves a thread behind: it would disturb the tests after it."""
    before = set(threading.enumerate())
    yield
    end = time.monotonic() + _LONG
    for thread in set(threading.enumerate()) - before:
        thread.join(max(0.0, end - time.monotonic()))
    left = [t.name for t in threading.enumerate() if t not in before and t.is_alive()]
    assert not left, f"threads left behind: {', '.join(left)}"


@pytest.fixture(autouse=True)
def no_settings_from_outside(monkeypatch):
    """Keep the developer's own BENCHTALLY_ variables out of the tests."""
    for name in [name for name in os.environ if name.startswith("BENCHTALLY_")]:
        monkeypatch.delenv(name)


def _wait_until(condition, seconds=_LONG):
    never = threading.Event()
    end = time.monotonic() + seconds
    while not (found := condition()):
        assert time.monotonic() < end, "what was waited for did not happen in time"
        never.wait(0.02)
    return found


def _own_ports():
    """Load what the system tests take their ports from: a process has one slice of them."""
    if "own_ports" not in sys.modules:
        path = Path(__file__).parent / "system" / "own_ports.py"
        spec = importlib.util.spec_from_file_location("own_ports", path)
        sys.modules["own_ports"] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules["own_ports"])
    return sys.modules["own_ports"]


@pytest.fixture(scope="session")
def free_port():
    """Give a port at which nobody listens, and which the system gives to nobody."""
    return _own_ports().free_port


@pytest.fixture(scope="session")
def wait_until():
    """Wait for a condition to hold, with a limit; gives what the condition gave."""
    return _wait_until


def _draft(**members):
    given = {
        "id": new_id(),
        "site": "sawmill",
        "bench": "bench-1",
        "instrument": "ohm-1",
        "time": datetime(2026, 1, 5, 8, 0, tzinfo=UTC),
        "quantity": "resistance",
        "unit": "Ohm",
        "value": 0.8421,
        "digits": "842.1",
        "shown_unit": "mΩ",
        "status": "ok",
        "source": Streamed(driver="ascii-meter", driver_version="1", link="memory"),
    }
    return ReadingDraft(**given | members)


@pytest.fixture
def draft():
    """Make a valid draft; members given replace the ordinary ones."""
    return _draft


@pytest.fixture(scope="session")
def drafts():
    """Make so many drafts of one instrument, counting up in their value."""

    def make(count, instrument="ohm-1", **members):
        return [
            _draft(instrument=instrument, value=float(n), digits=str(n), **members)
            for n in range(1, count + 1)
        ]

    return make


@pytest.fixture
def some_id():
    """Give an id that belongs to nothing."""
    return uuid.UUID("0195c0de-0000-7000-8000-000000000001")
