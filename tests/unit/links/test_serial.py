"""Serial ports on pseudo-terminals. Those lack DTR and RTS: see test_rfc2217.py for these."""

import fcntl
import os
import struct
import termios
import time
from types import SimpleNamespace

import pytest
import serial

from capture.errors import LinkError, LinkLost, LinkTimeout
from capture.links import interrupt, line

TCGETS2 = 0x802C542A  # asm-generic/ioctls.h: _IOR('T', 0x2A, struct termios2)


@pytest.fixture
def end(far_ends, tmp_path):
    return far_ends.PtyEnd(tmp_path)


def ask(link, query, whole):
    link.write(query + b"\n")
    return whole(link)


def test_questions_and_answers_with_every_byte_value(end, open_link, whole):
    every = bytes(byte for byte in range(256) if byte != 0x0A) + b"\n"
    end.instrument.answers[every[:-1]] = every
    link = open_link(end)
    assert not link.message_based
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    assert ask(link, every[:-1], whole) == every


def test_a_read_gives_what_is_there_up_to_the_limit(end, open_link):
    link = open_link(end)
    end.say(b"abcdef")
    data = b""
    while len(data) < 6:
        part, ended = link.read(4, 1.0)
        assert 1 <= len(part) <= 4
        assert not ended
        data += part
    assert data == b"abcdef"


@pytest.mark.parametrize("timeout", [0.0, 0.05])
def test_nothing_there_takes_no_longer_than_allowed(end, open_link, quickest, timeout):
    link = open_link(end)

    def read():
        assert link.read(10, timeout) == (b"", False)

    assert timeout * 0.9 <= quickest(read) < timeout + 0.1


def test_without_a_waiting_call_the_port_is_read_in_short_turns(
    end, open_link, quickest, monkeypatch
):
    """As on systems that cannot wait for a port."""
    monkeypatch.delattr(interrupt.select, "poll")
    link = open_link(end)

    def read():
        assert link.read(10, 0.1) == (b"", False)

    assert 0.09 < quickest(read, 3) < 0.2
    end.say(b"x")
    assert link.read(10, 1.0) == (b"x", False)


def speed_of(descriptor):
    """Output speed in baud, from struct termios2: four flags, line, 19 characters, two speeds."""
    answer = fcntl.ioctl(descriptor, TCGETS2, bytes(44))
    return struct.unpack("4I20s2I", answer)[6]


@pytest.mark.parametrize("baud", [50, 1200, 9600, 12_345, 115_200])
def test_any_baud_rate_is_set(far_ends, tmp_path, open_link, baud):
    link = open_link(far_ends.PtyEnd(tmp_path, baud=baud))
    assert speed_of(link._port.fileno()) == baud


def test_reading_never_sets_the_port_again(far_ends, tmp_path, open_link, whole, monkeypatch):
    """An unusual baud rate would be programmed anew while bytes come in."""
    link = open_link(far_ends.PtyEnd(tmp_path, baud=12_345))
    settings = []
    monkeypatch.setattr(
        type(link._port), "_reconfigure_port", lambda *_a, **_k: settings.append("again")
    )
    for timeout in (0.0, 0.01, 0.02):
        link.read(10, timeout)
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    link.resync()
    assert settings == []


def test_the_line_is_set_as_configured(far_ends, tmp_path, open_link):
    settings = {"stop_bits": 2, "flow": "xon-xoff"}
    link = open_link(far_ends.PtyEnd(tmp_path, **settings))
    input_, _, control, *_ = termios.tcgetattr(link._port.fileno())
    assert control & termios.CSTOPB
    assert input_ & termios.IXON


def test_noise_while_the_lines_settle_is_dropped_and_the_first_question_comes_after(
    far_ends, tmp_path, open_link, whole, quickest
):
    end = far_ends.PtyEnd(tmp_path, settle_s=0.3)
    link = end.make_link()

    def open_anew():
        link.close()
        link.open()

    assert 0.3 <= quickest(open_anew, 2) < 0.6
    link.close()
    noise = far_ends._Thread("noise", lambda _asked: [end.say(b"\x00\xff?") for _ in range(50)])
    began = time.monotonic()
    link.open()
    assert time.monotonic() - began >= 0.3
    noise.end()
    link.resync()
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    link.close()
    end.close()


def test_a_port_that_vanishes_while_it_settles_is_noticed_at_once(far_ends, tmp_path):
    """Before it would have settled, that is; a busy machine may stall once, and not each time."""
    took = []
    while min(took, default=2.0) >= 2.0 and len(took) < 5:
        took.append(seconds_until_a_vanished_port_is_noticed(far_ends, tmp_path))
    assert min(took) < 2.0, took


def seconds_until_a_vanished_port_is_noticed(far_ends, folder):
    end = far_ends.PtyEnd(folder, settle_s=2.0)
    link = end.make_link()
    make_port = link._make_port

    def open_and_pull():
        port = make_port()
        end.unplug()
        return port

    link._make_port = open_and_pull
    began = time.monotonic()
    with pytest.raises(LinkLost):
        link.open()
    took = time.monotonic() - began
    with pytest.raises(LinkError, match="is not open"):
        link.read(1, 0.0)
    return took


def test_resync_drains_until_quiet(end, open_link, whole, wait_until):
    link = open_link(end)
    link.write(b"FETC?\n")
    end.say(b"late" * 500)
    # The far end answers in a thread of its own, on a busy machine later than a line counts as quiet.
    wait_until(lambda: link._port.in_waiting == len(b"late" * 500 + b"+1.0E+00\n"))
    link.resync()
    assert link.read(10, 0.01) == (b"", False)
    assert ask(link, b"*IDN?", whole) == b"SIMULATED,COUNTER,0,0\n"


def test_resync_leaves_a_port_that_is_never_quiet_after_a_second(end, open_link, monkeypatch):
    link = open_link(end)
    now = 0.0

    def read(_limit, timeout):
        nonlocal now
        now += timeout / 2
        return b"x", False

    monkeypatch.setattr(link, "read", read)
    monkeypatch.setattr(line, "time", SimpleNamespace(monotonic=lambda: now))
    link.resync()
    assert 0.9 < now < 1.5


def test_a_port_that_takes_nothing_is_a_time_out(end, open_link, monkeypatch):
    link = open_link(end)
    end._thread.end()
    end._thread = None
    link._port.write_timeout = 0.1
    with pytest.raises(LinkTimeout, match="does not take data; check flow control"):
        link.write(bytes(1_000_000))
    os.close(end.master)


def test_what_a_port_did_not_take_is_not_waited_for_when_it_is_closed(end, open_link, monkeypatch):
    """Flow control may hold it back for ever."""
    link = open_link(end)
    done = []
    monkeypatch.setattr(link._port, "write", lambda data: len(data) - 1)
    monkeypatch.setattr(link._port, "reset_output_buffer", lambda: done.append("dropped"))
    with pytest.raises(LinkTimeout):
        link.write(b"FETC?\n")
    assert done == ["dropped"]


def test_a_port_that_takes_less_than_all_is_a_time_out(end, open_link, monkeypatch):
    link = open_link(end)
    monkeypatch.setattr(link._port, "write", lambda data: len(data) - 1)
    with pytest.raises(LinkTimeout):
        link.write(b"FETC?\n")


@pytest.mark.parametrize(
    "use",
    [
        lambda link: link.read(10, 0.1),
        lambda link: link.write(b"FETC?\n"),
        lambda link: link.resync(),
    ],
    ids=["read", "write", "resync"],
)
def test_an_unplugged_port_is_lost_whatever_is_done(end, open_link, use):
    link = open_link(end)
    end.unplug()
    with pytest.raises(LinkLost, match="went away; check the cable and the supply"):
        use(link)


@pytest.mark.parametrize(
    "error",
    [
        OSError(5, "Input/output error"),
        termios.error(5, "Input/output error"),
        TypeError("'NoneType' object"),
        ValueError("filedescriptor cannot be a negative integer"),
        serial.SerialException("device reports readiness to read but returned no data (device "
                               "disconnected or multiple access on port?)"),
    ],
)  # fmt: skip
def test_whatever_pyserial_raises_is_a_lost_link(end, open_link, monkeypatch, error):
    """Which of these it is depends on the call and the platform."""
    link = open_link(end)

    def fail(*_arguments):
        raise error

    monkeypatch.setattr(link._port, "read", fail)
    end.say(b"x")
    with pytest.raises(LinkLost, match="went away") as caught:
        link.read(10, 1.0)
    assert ("no other program" in str(caught.value)) == ("multiple access" in str(error))


def test_a_byte_that_came_before_the_port_went_is_not_lost(end, open_link, monkeypatch):
    """Where the port cannot be waited for: else all that is there is read in one go."""
    monkeypatch.delattr(interrupt.select, "poll")
    link = open_link(end)
    calls = []

    class Going(type(link._port)):
        @property
        def in_waiting(self):
            calls.append(1)
            if len(calls) > 1:
                raise OSError(5, "Input/output error")
            return 0

    link._port.__class__ = Going
    end.say(b"\n")
    assert link.read(10, 1.0) == (b"\n", False)
    with pytest.raises(LinkLost):
        link.read(10, 1.0)
