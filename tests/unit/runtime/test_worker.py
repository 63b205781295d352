"""A worker keeps its instrument captured: losses, stalls, crashes, stops.

One file, since each test drives a worker with the same driver, cable and journal in memory.
"""

import itertools
import threading
from collections import deque
from concurrent.futures import Future
from decimal import Decimal

import pytest

from capture.clock import ManualClock, SystemClock
from capture.driver import Driver, Identified, Indication, Malformed, Reply, Send, Status
from capture.errors import JournalFull, LinkError, LinkOpenError
from capture.links.memory import MemoryLink, Wire
from capture.model import Gap, ReadingDraft
from capture.model.written import WrittenDraft
from capture.runtime import Instrument, MessagePolicy, Supervisor
from capture.runtime.session import LONGEST_WAIT
from capture.runtime.worker import NEXT, State, Worker


class Bytes(Driver):
    """Shows the number of each byte that comes; ``!`` makes it crash, ``?`` is malformed."""

    def __init__(self, actions=()):
        self.events = deque()
        self.actions = deque(actions)

    def receive(self, data, end_of_message, now):
        for byte in data:
            if byte == ord("!"):
                raise RuntimeError("a bug in a stranger's driver")
            if byte == ord("?"):
                self.events.append(Malformed(b"?", "is a question"))
            elif byte == ord("x"):
                self.events.append(
                    Indication("resistance", "Ohm", None, "120", "Ohm", Status.OK, b"x")
                )
            elif byte == ord("i"):
                self.events.append(Identified("A MAKER", "\x1b[31mMETER", "", "1", b"i"))
            else:
                text = str(byte)
                self.events.append(
                    Indication(
                        "resistance", "Ohm", Decimal(byte), text, "Ohm", Status.OK, bytes([byte])
                    )
                )

    def next_event(self):
        return self.events.popleft() if self.events else None

    def outgoing(self, now):
        return [self.actions.popleft()] if self.actions else []

    def wake_at(self):
        return None


class Memory:
    """A journal in memory, which can be full."""

    def __init__(self):
        self.entries = []
        self.full = False
        self.refused = threading.Event()
        self.tried = 0

    def append(self, entries):
        self.tried += 1
        if self.full:
            self.refused.set()
            raise JournalFull("the disk is full; make room, nothing is lost")
        self.entries += [
            each.draft() if isinstance(each, WrittenDraft) else each for each in entries
        ]

    def readings(self):
        return [int(each.value) for each in self.entries if isinstance(each, ReadingDraft)]

    def gaps(self):
        return [each for each in self.entries if isinstance(each, Gap)]


class Patient(MemoryLink):
    """A read of it that may wait for long ends when it is told to, and only then."""

    def __init__(self, wire):
        super().__init__(wire)
        self.told = threading.Event()
        self.waits = []

    def interrupt(self):
        self.told.set()

    def read(self, limit, timeout):
        got = super().read(limit, 0.0)
        if not got[0]:
            self.waits.append(timeout)
            self.told.wait(timeout if timeout <= LONGEST_WAIT else None)
        return got


class Setup:
    """A worker on a cable in memory, with everything that it said of itself."""

    def __init__(self, make_driver=Bytes, *, clock=None, make_link=None, name="ohm-1", identity=""):
        self.wire = Wire()
        self.store = Memory()
        self.clock = clock or SystemClock()
        self.history = []
        self.instrument = Instrument(
            name,
            "sawmill",
            "bench-1",
            "a-driver",
            "1",
            None,
            make_driver,
            make_link or (lambda: MemoryLink(self.wire)),
            MessagePolicy(),
            identity,
        )
        self.worker = Worker(self.instrument, self.store, self.clock, self.history.append)

    @property
    def states(self):
        return [snapshot.state for snapshot in self.history]

    def is_in(self, state):
        return lambda: self.worker.snapshot.state is state


@pytest.fixture
def setup():
    """Make workers that are stopped when the test ends, however it ends."""
    made = []

    def make(*arguments, **options):
        made.append(Setup(*arguments, **options))
        return made[-1]

    yield make
    for each in made:
        each.store.full = False
        each.worker.ask_to_stop()
        if each.worker._thread.ident is not None:
            assert each.worker.join(60), "the worker did not stop"


def test_what_the_instrument_says_is_stored_in_order(setup, wait_until):
    it = setup()
    it.worker.start()
    it.wire.say(bytes(range(1, 20)))
    wait_until(lambda: len(it.store.entries) == 19)
    assert it.store.readings() == list(range(1, 20))
    wait_until(lambda: it.worker.snapshot.readings == 19)
    assert it.worker.snapshot.last_reading == it.store.entries[-1].time
    assert it.states[:2] == [State.OPENING, State.RUNNING]


def test_a_stop_ends_a_long_wait_for_an_instrument_that_says_nothing(setup, wait_until):
    link = Patient(Wire())
    it = setup(make_link=lambda: link)
    it.worker.start()
    wait_until(lambda: link.waits)
    assert link.waits[0] > LONGEST_WAIT
    it.worker.ask_to_stop()
    assert it.worker.join(60)


def test_what_is_being_committed_is_waited_for_no_longer_than_ever(setup, wait_until):
    link = Patient(Wire())
    it = setup(make_link=lambda: link)
    answer = Future()
    it.worker._begin = lambda _batch: answer
    link._wire.say(b"\x01")
    it.worker.start()
    wait_until(lambda: len(link.waits) > 2)
    assert set(link.waits) == {LONGEST_WAIT}
    answer.set_result([])
    wait_until(lambda: link.waits[-1] > LONGEST_WAIT)
    assert it.worker.snapshot.readings == 1


def test_a_vanished_port_is_opened_again_when_it_is_back(setup, wait_until):
    it = setup()
    it.worker.start()
    wait_until(it.is_in(State.RUNNING))
    for n in range(1, 4):
        it.wire.say(bytes([n]))
        wait_until(lambda: len(it.store.entries) == n)  # noqa: B023 - waited for within the round
        it.wire.unplug()
        wait_until(it.is_in(State.WAITING))
        assert "cable" in it.worker.snapshot.reason
        it.wire.plug()
        wait_until(it.is_in(State.RUNNING))
    assert it.store.readings() == [1, 2, 3]
    sessions = {draft.session for draft in it.store.entries}
    assert len(sessions) == 3, "each opening is a session of its own"
    assert it.worker.snapshot.reason == ""


def test_each_driver_can_take_over_from_the_one_before_and_from_no_other(setup, wait_until):
    resumed = []

    class Resuming(Bytes):
        def resume(self, earlier):
            assert not self.actions
            resumed.append((self, earlier))

    it = setup(Resuming)
    it.worker.start()
    for n in range(1, 4):
        wait_until(it.is_in(State.RUNNING))
        assert len(resumed) == n - 1, "the first one has none before it"
        it.wire.unplug()
        wait_until(it.is_in(State.WAITING))
        it.wire.plug()
    wait_until(lambda: len(resumed) == 3)
    for (before, _), (_, earlier) in itertools.pairwise(resumed):
        assert earlier is before


def test_a_driver_that_crashes_at_taking_over_fails_its_instrument(setup, wait_until):
    class Crashing(Bytes):
        def resume(self, earlier):
            raise RuntimeError("a bug in a stranger's driver")

    it = setup(Crashing)
    it.worker.start()
    wait_until(it.is_in(State.RUNNING))
    it.wire.unplug()
    wait_until(it.is_in(State.WAITING))
    it.wire.plug()
    wait_until(it.is_in(State.FAILED))
    assert "a bug in a stranger's driver" in it.worker.snapshot.reason


def test_an_absent_port_is_tried_again_with_growing_pauses(setup, wait_until):
    clock, tries = ManualClock(), []

    class Absent(MemoryLink):
        def open(self):
            tries.append(clock.monotonic())
            if len(tries) > 30:
                it.worker.ask_to_stop()
            raise LinkOpenError("/dev/ttyUSB0: no such port; plug it in")

    it = setup(clock=clock, make_link=lambda: Absent(Wire()))
    it.worker.start()
    wait_until(lambda: len(tries) > 30)
    pauses = [b - a for a, b in itertools.pairwise(tries)]
    assert 0.2 <= pauses[0] <= 0.3
    assert all(1.6 <= pause <= 2.4 for pause in pauses[5:])
    assert len({round(pause, 6) for pause in pauses}) > 10, "the pauses do not spread"
    assert "no such port" in next(s.reason for s in it.history if s.state is State.WAITING)


def test_a_journal_that_is_full_loses_nothing_and_leaves_a_gap(setup, wait_until):
    it = setup()
    it.worker.start()
    it.wire.say(b"\x01")
    wait_until(lambda: it.store.readings() == [1])
    it.store.full = True
    it.wire.say(b"\x02")
    assert it.store.refused.wait(60)
    wait_until(it.is_in(State.WAITING))
    assert "the journal takes no readings" in it.worker.snapshot.reason
    it.wire.say(b"\x03")
    tried = it.store.tried
    wait_until(lambda: it.store.tried > tried)
    assert it.store.readings() == [1], "nothing is stored while it is full"
    it.store.full = False
    wait_until(lambda: it.store.readings() == [1, 2, 3])
    (gap,) = it.store.gaps()
    assert gap.begin <= gap.end
    assert gap.instrument == "ohm-1"
    kinds = [type(entry).__name__ for entry in it.store.entries]
    assert kinds == ["ReadingDraft", "ReadingDraft", "Gap", "ReadingDraft"]
    wait_until(it.is_in(State.RUNNING))
    ids = [entry.id for entry in it.store.entries]
    assert len(set(ids)) == 4


def test_what_came_before_an_indication_that_no_reading_can_hold_is_stored(setup, wait_until):
    it = setup()
    it.worker.start()
    it.wire.say(b"\x01\x02x\x03")
    wait_until(it.is_in(State.FAILED))
    assert it.store.readings() == [1, 2]
    assert "no reading can hold" in it.worker.snapshot.reason


def test_a_batch_held_through_a_stall_keeps_its_ids(setup, wait_until):
    it = setup()
    seen = []
    append = it.store.append

    def remember(entries):
        seen.append([entry.id for entry in entries])
        append(entries)

    it.store.append = remember
    it.store.full = True
    it.worker.start()
    it.wire.say(b"\x07")
    wait_until(lambda: len(seen) >= 2)
    it.store.full = False
    wait_until(lambda: it.store.readings() == [7])
    wait_until(it.store.gaps)
    tries = [ids for ids in seen if ids == seen[0]]
    assert len(tries) >= 3


def test_a_stop_during_a_stall_stores_what_is_held_if_it_can(setup, wait_until):
    it = setup()
    it.store.full = True
    it.worker.start()
    it.wire.say(b"\x05")
    wait_until(it.is_in(State.WAITING))
    append = it.store.append

    def make_room_then_append(entries):
        it.store.full = not it.worker._stop.is_set()
        append(entries)

    it.store.append = make_room_then_append
    it.worker.ask_to_stop()
    assert it.worker.join(60)
    assert it.store.readings() == [5]
    assert it.worker.snapshot.state is State.STOPPED


def test_a_stop_during_a_stall_that_does_not_end_is_a_stop_all_the_same(setup, wait_until):
    it = setup()
    it.store.full = True
    it.worker.start()
    it.wire.say(b"\x05")
    wait_until(it.is_in(State.WAITING))
    it.worker.ask_to_stop()
    assert it.worker.join(60)
    assert it.worker.snapshot.state is State.STOPPED
    assert it.store.entries == []


def test_a_driver_that_crashes_fails_its_instrument_and_no_other(setup, wait_until):
    bad, good = setup(name="bad"), setup(name="good")
    bad.worker.start()
    good.worker.start()
    bad.wire.say(b"\x01")
    wait_until(lambda: bad.store.readings() == [1])
    bad.wire.say(b"!")
    wait_until(bad.is_in(State.FAILED))
    assert "a bug in the driver" in bad.worker.snapshot.reason
    assert bad.worker.join(60)
    good.wire.say(b"\x02")
    wait_until(lambda: good.store.readings() == [2])
    assert good.worker.snapshot.state is State.RUNNING


def test_a_message_that_is_not_allowed_fails_the_instrument_and_no_other(setup, wait_until):
    bad = setup(lambda: Bytes([Send(b"OUTP ON\n", Reply.NONE)]), name="bad")
    good = setup(name="good")
    bad.worker.start()
    good.worker.start()
    wait_until(bad.is_in(State.FAILED))
    assert "'OUTP ON' is not on this instrument's list" in bad.worker.snapshot.reason
    with pytest.raises(TimeoutError):
        bad.wire.heard(0)
    good.wire.say(b"\x02")
    wait_until(lambda: good.store.readings() == [2])


def test_a_driver_that_cannot_be_made_fails_the_instrument(setup, wait_until):
    def broken():
        raise ZeroDivisionError("no")

    it = setup(broken)
    it.worker.start()
    wait_until(it.is_in(State.FAILED))
    assert "a-driver cannot be made (ZeroDivisionError: no)" in it.worker.snapshot.reason


def test_a_failed_instrument_closes_its_link(setup, wait_until):
    closed = threading.Event()

    class Watched(MemoryLink):
        def close(self):
            closed.set()
            super().close()

    it = setup(make_link=lambda: Watched(it.wire))
    it.worker.start()
    it.wire.say(b"!")
    wait_until(it.is_in(State.FAILED))
    assert closed.is_set()


def test_an_unknown_exception_fails_the_instrument_with_its_name(setup, wait_until):
    class Odd(MemoryLink):
        def read(self, limit, timeout):
            raise ZeroDivisionError("a link's own bug")

    it = setup(make_link=lambda: Odd(it.wire))
    it.worker.start()
    wait_until(it.is_in(State.FAILED))
    assert "ZeroDivisionError" in it.worker.snapshot.reason


def test_what_is_no_value_is_counted(setup, wait_until):
    it = setup()
    it.worker.start()
    it.wire.say(b"??i\x01")
    wait_until(lambda: it.store.readings() == [1])
    snapshot = it.worker.snapshot
    assert snapshot.malformed == 2
    assert snapshot.identity.startswith("A MAKER")


def test_one_that_never_says_what_it_must_be_is_told_of(setup, wait_until):
    """Its values are passed over as was asked for, but not without a word."""
    it = setup(identity="A MAKER")
    it.worker.start()
    it.wire.say(b"\x01")
    wait_until(lambda: it.worker.snapshot.reason)
    assert it.worker.snapshot.state is State.RUNNING
    assert "has not said that it is 'A MAKER': no reading of it is taken" in (
        it.worker.snapshot.reason
    )
    it.wire.say(b"i")
    it.wire.say(b"\x02")
    wait_until(lambda: it.store.readings() == [2])
    assert it.worker.snapshot.reason == ""


def test_one_that_says_at_once_what_it_must_be_is_complained_of_never(setup, wait_until):
    it = setup(identity="A MAKER")
    it.worker.start()
    it.wire.say(b"i\x01")
    wait_until(lambda: it.store.readings() == [1])
    assert {snapshot.reason for snapshot in it.history} == {""}


def test_a_stop_before_anything_came_ends_quickly(setup):
    it = setup()
    it.worker.start()
    it.worker.ask_to_stop()
    assert it.worker.join(60)
    assert it.worker.snapshot.state is State.STOPPED


def test_a_worker_that_was_asked_to_stop_before_it_started_does_nothing(setup):
    it = setup()
    it.worker.ask_to_stop()
    it.worker.start()
    assert it.worker.join(60)
    assert it.wire.opened == 0
    assert it.states == [State.STOPPED]


# ── the table of states ──────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("old", "new"), list(itertools.product(State, State)))
def test_a_worker_goes_only_where_the_table_lets_it(old, new):
    it = Setup(clock=ManualClock())
    it.worker._snapshot = it.worker.snapshot.__class__(
        "ohm-1", old, "as before", it.clock.utc(), "memory"
    )
    if old is new or new in NEXT[old]:
        it.worker._change(new, "because")
        assert (it.worker.snapshot.state, it.worker.snapshot.reason) == (new, "because")
        assert it.history == [it.worker.snapshot]
    else:
        with pytest.raises(AssertionError, match=f"cannot go from {old} to {new}"):
            it.worker._change(new, "because")


def test_every_state_can_be_reached_and_the_last_two_are_final():
    reached, todo = {State.IDLE}, [State.IDLE]
    while todo:
        for following in NEXT[todo.pop()] - reached:
            reached.add(following)
            todo.append(following)
    assert reached == set(State)
    assert NEXT[State.STOPPED] == NEXT[State.FAILED] == frozenset()


def test_saying_the_same_again_is_not_told():
    it = Setup(clock=ManualClock())
    it.worker._change(State.OPENING, "")
    it.worker._change(State.OPENING, "")
    assert len(it.history) == 1


def test_every_link_error_is_waited_out(setup, wait_until):
    """A write that times out, a plain link error: the port is opened anew."""
    raised = []

    class Flaky(MemoryLink):
        def read(self, limit, timeout):
            if not raised:
                raised.append(1)
                raise LinkError("memory: does not take data")
            return super().read(limit, timeout)

    it = setup(make_link=lambda: Flaky(it.wire))
    it.worker.start()
    wait_until(lambda: it.wire.opened == 2)
    it.wire.say(b"\x09")
    wait_until(lambda: it.store.readings() == [9])
    assert State.FAILED not in it.states


# ── the supervisor ───────────────────────────────────────────────────────────────────────────


def test_the_supervisor_starts_all_tells_of_all_and_stops_all(wait_until):
    setups = [Setup(name=f"meter-{n}") for n in range(3)]
    store, history = Memory(), []
    supervisor = Supervisor([s.instrument for s in setups], store, SystemClock(), history.append)
    assert [s.state for s in supervisor.snapshots()] == [State.IDLE] * 3
    supervisor.start()
    for n, each in enumerate(setups):
        each.wire.say(bytes([n + 1]))
    wait_until(lambda: sorted(store.readings()) == [1, 2, 3])
    assert supervisor.stop(5.0) == []
    assert [s.state for s in supervisor.snapshots()] == [State.STOPPED] * 3


def test_the_supervisor_names_a_worker_that_does_not_stop():
    release, entered = threading.Event(), threading.Event()

    class Stuck(Memory):
        def append(self, entries):
            entered.set()
            release.wait(60)
            super().append(entries)

    it = Setup(name="stuck")
    supervisor = Supervisor([it.instrument], Stuck(), SystemClock(), it.history.append)
    supervisor.start()
    it.wire.say(b"\x01")
    assert entered.wait(60)
    assert supervisor.stop(0.1) == ["stuck"]
    release.set()
    assert supervisor.stop(5.0) == []
