"""The thread of hands-free capture: it starts, lives through odd entries, and ends."""

import threading

import pytest
from watched import U_V

from capture.clock import SystemClock
from capture.errors import JournalError
from capture.jobs.desk import Desk
from capture.jobs.following import JobWatcher
from capture.jobs.watcher import JobWatch
from capture.journal import StaleError, Writer
from capture.model import new_id


class Live:
    """The thread over a journal that a writer fills, in real time."""

    def __init__(self, bench, wrap=lambda watch: watch, on_change=lambda: None):
        self.bench = bench
        self.clock = SystemClock()
        self.writer = Writer(bench.path, self.clock, self.wake)
        self.writer.start()
        self.watcher = None
        self.watcher = JobWatcher(bench.path, self.make, self.clock, on_change)
        self.wrap = wrap

    def wake(self):
        if self.watcher is not None:
            self.watcher.wake()

    def make(self, reader):
        desk = Desk(reader, self.writer.append, self.clock, "sawmill", "bench-1")
        return self.wrap(JobWatch(desk, self.clock))

    def stop(self):
        assert self.watcher.stop(10)
        assert self.writer.stop(10)


@pytest.fixture
def live(bench):
    """Make such a thread; it is stopped when the test is over."""
    made = []

    def make(**more):
        made.append(Live(bench, **more))
        return made[-1]

    yield make
    for each in made:
        each.stop()


def test_the_thread_starts_sees_and_ends(bench, live, wait_until):
    one = live()
    bench.begin("three-pair-inductance")
    one.watcher.start()
    wait_until(lambda: one.watcher.seen.step == U_V)
    one.writer.append([bench.draft("inductance", None, time=one.clock.utc())])
    wait_until(lambda: "leads are off" in one.watcher.seen.reason)
    assert one.watcher.stop(10)
    assert "job-watcher" not in [thread.name for thread in threading.enumerate()]


def test_a_thread_that_never_ran_is_stopped_at_once(bench, live):
    assert live().watcher.stop(0)


def test_an_odd_entry_does_not_end_hands_free_capture(bench, live, wait_until):
    """Foreign bytes under `job` and `reading`, and a listener that fails: it goes on."""

    def fails():
        raise RuntimeError("a listener's own failure")

    bench.begin("three-pair-inductance")
    one = live(on_change=fails)
    one.watcher.start()
    wait_until(lambda: one.watcher.seen.step == U_V)
    insert = "INSERT INTO entries (id, kind, subject, instrument, body, hash) VALUES (?,?,?,?,?,?)"
    for kind in ("job", "reading", "unheard-of"):
        odd = (new_id().bytes, kind, "inductance", "lcr-1", b'{"odd": 1}', b"x" * 32)
        bench.store._connection.execute(insert, odd)
    one.writer.append([bench.draft("inductance", None, time=one.clock.utc())])
    wait_until(lambda: "leads are off" in one.watcher.seen.reason)


def test_an_odd_job_in_the_file_does_not_keep_the_thread_from_starting(bench, live, wait_until):
    bench.begin("three-pair-inductance")
    insert = "INSERT INTO entries (id, kind, subject, body, hash) VALUES (?, 'job', ?, ?, ?)"
    odd = (new_id().bytes, str(new_id()), b'{"odd": 1}', b"x" * 32)
    bench.store._connection.execute(insert, odd)
    one = live()
    one.watcher.start()
    wait_until(lambda: one.watcher.seen.step == U_V)


def test_a_journal_that_cannot_be_read_at_first_is_tried_again(bench, live, wait_until):
    bench.begin("three-pair-inductance")
    failed = []

    def wrap(watch):
        load = watch.load

        def once():
            if not failed:
                failed.append(1)
                raise JournalError("locked by a backup")
            load()

        watch.load = once
        return watch

    one = live(wrap=wrap)
    one.watcher.start()
    wait_until(lambda: one.watcher.seen.step == U_V)


def test_an_entry_is_seen_once_though_another_one_fails(bench, live, wait_until):
    """After a failure the thread goes on from the entry that failed, not from the page's first."""
    bench.begin("three-pair-inductance")
    seen, failures = [], [2]

    def wrap(watch):
        row = watch.row

        def counted(each):
            if each.kind == "reading" and len(seen) == 3 and failures[0]:
                failures[0] -= 1
                raise StaleError("has moved on")
            if each.kind == "reading":
                seen.append(each.n)
            row(each)

        watch.row = counted
        return watch

    one = live(wrap=wrap)
    one.watcher.start()
    wait_until(lambda: one.watcher.seen.step == U_V)
    one.writer.append([bench.draft("inductance", None) for _ in range(6)])
    wait_until(lambda: len(seen) >= 6)
    assert len(set(seen)) == len(seen) == 6
    assert failures == [0]
