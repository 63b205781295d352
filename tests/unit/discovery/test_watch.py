"""Seeing devices come and go."""

import threading

import pytest
from structlog.testing import capture_logs

from capture.clock import ManualClock
from capture.discovery import Change, Device, Watcher


def device(number, stay=0):
    return Device("serial", f"/dev/ttyUSB{number}", 0x0403, 0x6001, f"A{number}", stay=(stay,))


class Bench:
    """What is plugged in, as the test decides."""

    def __init__(self):
        self.plugged = []
        self.changes = []
        self.watcher = Watcher(lambda: list(self.plugged), ManualClock(), self.changes.append)


@pytest.fixture
def bench():
    return Bench()


def test_what_is_there_at_first_is_no_change(bench):
    bench.plugged = [device(0)]
    assert not bench.watcher.look()
    assert not bench.changes


def test_what_comes_and_goes_is_told_and_logged(bench):
    bench.watcher.look()
    with capture_logs() as logs:
        bench.plugged = [device(0)]
        assert bench.watcher.look() == Change(appeared=(device(0),))
        assert not bench.watcher.look()
        bench.plugged = []
        assert bench.watcher.look() == Change(vanished=(device(0),))
    assert [(each["event"], each["write_as"]) for each in logs] == [
        ("port.appeared", "usb:0403:6001:A0"),
        ("port.vanished", "usb:0403:6001:A0"),
    ]
    assert bench.changes == [Change(appeared=(device(0),)), Change(vanished=(device(0),))]


def test_out_and_back_between_two_looks_is_seen(bench):
    bench.plugged = [device(0, stay=1)]
    bench.watcher.look()
    bench.plugged = [device(0, stay=2)]
    assert bench.watcher.look() == Change((device(0, stay=2),), (device(0, stay=1),))


def test_a_list_that_fails_changes_nothing_and_is_complained_of_once():
    answers = [[device(0)], OSError("busy"), OSError("busy"), [device(0), device(1)]]

    def listing():
        answer = answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer

    changes = []
    watcher = Watcher(listing, ManualClock(), changes.append)
    with capture_logs() as logs:
        for _ in range(4):
            watcher.look()
    assert changes == [Change(appeared=(device(1),))]
    assert [each["event"] for each in logs] == ["ports.not_listed", "port.appeared"]


def test_it_looks_by_itself_until_it_is_stopped():
    looked = threading.Semaphore(0)

    def listing():
        looked.release()
        return []

    watcher = Watcher(listing, ManualClock(), lambda _change: None)
    watcher.start()
    assert all(looked.acquire(timeout=5) for _ in range(3))
    assert watcher.stop(5.0)


def test_one_that_was_never_started_stops(bench):
    assert bench.watcher.stop(0.1)
