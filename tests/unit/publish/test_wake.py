"""Waking a publisher's process: at once where that cannot block, else by the thread that feeds it."""

import contextlib
import os
from types import SimpleNamespace

import pytest
from scripted import make_settings

from capture.clock import SystemClock
from capture.journal import Row
from capture.publish.news import line_of
from capture.publish.process import ProcessPublisher


@pytest.fixture
def fed(tmp_path):
    publisher = ProcessPublisher(make_settings(tmp_path, 1), None, SystemClock())
    read, write = os.pipe()
    publisher._pipe = write
    yield publisher, read, write
    os.close(read)
    os.close(write)


def test_the_word_is_written_at_once(fed):
    publisher, read, _ = fed
    publisher.wake()
    assert os.read(read, 10) == b"\n"
    assert not publisher._dirty


def test_the_entry_is_told_with_it(fed):
    publisher, read, _ = fed
    row = Row(7, bytes(16), "reading", "ohm-1", "resistance", b"{}")
    publisher.wake(row)
    assert os.read(read, 4096) == line_of(row) != b"\n"
    with publisher._writing:
        publisher.wake(row)
    assert publisher._next_text(0) == b"\n", "later, it is looked up"


def test_a_full_pipe_is_left_to_the_thread_that_may_wait(fed):
    publisher, _, write = fed
    os.set_blocking(write, False)
    with contextlib.suppress(BlockingIOError):
        for _ in range(10_000):
            os.write(write, b"x" * 4096)
    os.set_blocking(write, True)
    publisher.wake()
    assert publisher._dirty


def test_no_line_is_written_into_another(fed):
    publisher, read, _ = fed
    with publisher._writing:
        publisher.wake()
    assert publisher._dirty
    os.set_blocking(read, False)
    with pytest.raises(BlockingIOError):
        os.read(read, 10)


def test_a_publisher_that_does_not_run_is_woken_when_it_does(fed):
    publisher, _, _ = fed
    publisher._pipe = None
    publisher.wake()
    assert publisher._dirty


def test_a_publisher_that_died_is_left_to_whoever_feeds_it(tmp_path):
    publisher = ProcessPublisher(make_settings(tmp_path, 1), None, SystemClock())
    read, publisher._pipe = os.pipe()
    os.close(read)
    publisher.wake()
    assert publisher._dirty
    os.close(publisher._pipe)


def test_a_report_that_was_cut_off_by_its_end_is_passed_over(fed):
    publisher = fed[0]
    theirs, ours = os.pipe()
    os.write(ours, b'{"delivered": 7}\n{"delivered": 8')
    os.close(ours)
    publisher._listen(SimpleNamespace(stdout=open(theirs, "rb", buffering=0)))  # noqa: PTH123, SIM115 - as Popen does
    assert publisher.report.delivered == 7
