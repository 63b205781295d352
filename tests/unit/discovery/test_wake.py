"""A waiting worker whose port came back is woken at once; states stay as they are."""

import threading

import pytest

from capture.clock import ManualClock
from capture.driver import Driver
from capture.links import MemoryLink, Wire
from capture.runtime import Instrument, MessagePolicy, State, Supervisor

_LONG = 60.0


class PatientClock(ManualClock):
    """A clock on which no time-out ever comes: whoever waits is woken, or waits."""

    def __init__(self):
        super().__init__()
        self.waiting = threading.Semaphore(0)

    def wait(self, event, seconds):
        self.waiting.release()
        assert event.wait(_LONG), "nobody woke it"
        return True


class Silent(Driver):
    def receive(self, data, end_of_message, now):
        pass

    def next_event(self):
        return None

    def outgoing(self, now):
        return ()

    def wake_at(self):
        return None


class NoStore:
    def append(self, entries):
        raise AssertionError("nothing to store")


class Bench:
    def __init__(self, *names):
        self.clock = PatientClock()
        self.wires = {name: Wire() for name in names}
        self.states = []
        self.changed = threading.Condition()
        self.supervisor = Supervisor(
            [self._instrument(name, wire) for name, wire in self.wires.items()],
            NoStore(),
            self.clock,
            self._on_change,
        )

    def _instrument(self, name, wire):
        return Instrument(
            id=name,
            site="sawmill",
            bench="bench-1",
            driver_id="silent",
            driver_version="1",
            profile=None,
            make_driver=Silent,
            make_link=lambda: MemoryLink(wire),
            policy=MessagePolicy(),
        )

    def _on_change(self, snapshot):
        with self.changed:
            self.states.append((snapshot.instrument, snapshot.state))
            self.changed.notify_all()

    def wait_for(self, name, state):
        with self.changed:
            assert self.changed.wait_for(lambda: (name, state) in self.states, _LONG), self.states

    def states_of(self, name):
        return [state for each, state in self.states if each == name]


@pytest.fixture
def bench():
    benches = []

    def made(*names):
        benches.append(Bench(*names))
        return benches[-1]

    yield made
    for each in benches:
        assert each.supervisor.stop(_LONG) == []


def test_a_waiting_worker_opens_at_once_when_its_port_is_back(bench):
    made = bench("ohm-1")
    made.wires["ohm-1"].unplug()
    made.supervisor.start()
    made.wait_for("ohm-1", State.WAITING)
    made.wires["ohm-1"].plug()
    made.supervisor.wake(["ohm-1"])
    made.wait_for("ohm-1", State.RUNNING)
    assert made.states_of("ohm-1") == [
        State.OPENING,
        State.WAITING,
        State.OPENING,
        State.RUNNING,
    ]


def test_a_worker_whose_port_did_not_come_back_goes_on_waiting(bench):
    made = bench("ohm-1", "ohm-2")
    for wire in made.wires.values():
        wire.unplug()
    made.supervisor.start()
    made.wait_for("ohm-1", State.WAITING)
    made.wait_for("ohm-2", State.WAITING)
    made.wires["ohm-1"].plug()
    made.supervisor.wake(["ohm-1"])
    made.wait_for("ohm-1", State.RUNNING)
    assert made.states_of("ohm-2") == [State.OPENING, State.WAITING]


def test_a_woken_worker_that_cannot_open_yet_waits_again(bench):
    made = bench("ohm-1")
    made.wires["ohm-1"].unplug()
    made.supervisor.start()
    assert made.clock.waiting.acquire(timeout=_LONG)
    made.supervisor.wake(["ohm-1"])
    assert made.clock.waiting.acquire(timeout=_LONG)
    assert made.supervisor.snapshots()[0].state is State.WAITING


def test_a_waiting_worker_stops_at_once(bench):
    made = bench("ohm-1")
    made.wires["ohm-1"].unplug()
    made.supervisor.start()
    made.wait_for("ohm-1", State.WAITING)
    assert made.supervisor.stop(_LONG) == []
    assert made.supervisor.snapshots()[0].state is State.STOPPED
