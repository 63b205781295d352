"""A read that waits can be ended by another thread."""

import socket
import threading

import pytest

from capture.links import Interruptible, interrupt

pytestmark = pytest.mark.filterwarnings(
    # pyserial 3.5 names its reader thread in a way that Python deprecates.
    "ignore:set(Daemon|Name)\\(\\) is deprecated:DeprecationWarning"
)

LONG = 60.0  # nothing waits that long when it works


@pytest.fixture(params=["pty", "pty that cannot be waited for", "rfc2217", "tcp", "unix"])
def link(request, far_ends, open_link, monkeypatch, tmp_path):
    match request.param:
        case "pty":
            end = far_ends.PtyEnd(tmp_path)
        case "rfc2217":
            end = far_ends.Rfc2217End()
        case "tcp":
            end = far_ends.TcpEnd()
        case "unix":
            end = far_ends.UnixEnd(tmp_path)
        case _:
            monkeypatch.delattr(interrupt.select, "poll")
            end = far_ends.PtyEnd(tmp_path)
    return open_link(end)


def test_a_wait_ends_when_it_is_told_to(link):
    assert isinstance(link, Interruptible)
    got = []
    reader = threading.Thread(target=lambda: got.append(link.read(10, LONG)), daemon=True)
    reader.start()
    link.interrupt()
    reader.join(10)
    assert got == [(b"", False)]


def test_what_was_told_before_ends_one_wait_and_no_other(link, whole):
    link.interrupt()
    link.interrupt()
    assert link.read(10, LONG) == (b"", False)
    link.write(b"*IDN?\n")
    assert whole(link).startswith(b"SIMULATED")


def test_a_closed_link_is_told_nothing(link):
    link.close()
    link.interrupt()
    link.close()
    link.interrupt()


def test_telling_more_often_than_there_is_room_for_blocks_nobody():
    near, far = socket.socketpair()
    told = interrupt.Interrupt()
    for _ in range(100_000):
        told.tell()
    assert not told.wait(near.fileno(), LONG)
    far.send(b"x")
    told.tell()
    assert told.wait(near.fileno(), LONG), "there is something to read as well"
    for each in (told, near, far):
        each.close()


def test_resync_keeps_it(far_ends, open_link):
    link = open_link(far_ends.TcpEnd())
    link.resync()
    link.interrupt()
    assert link.read(10, LONG) == (b"", False)
