"""Telnet taken apart, and a port of RFC 2217 whose far end sends what it should not.

Codes: RFC 854 and 855; RFC 2217 §3: COM-PORT-OPTION 44, NOTIFY-LINESTATE from the server 106.
"""

import queue
import socket
import threading

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from capture.links import rfc2217
from capture.links.telnet import Negotiation, Subnegotiation, TelnetFault, TelnetStream

IAC, SB, SE = b"\xff", b"\xfa", b"\xf0"
WILL, DO = b"\xfb", b"\xfd"


def fed(pieces):
    """Give what a stream finds; data that follows data joined, since it may be cut anywhere."""
    stream, found = TelnetStream(), []
    for piece in pieces:
        for each in stream.feed(piece):
            if isinstance(each, bytes) and found and isinstance(found[-1], bytes):
                found[-1] += each
            else:
                found.append(each)
    return found


SENT = (
    b"8" + IAC + WILL + b"\x2c42" + IAC + IAC + IAC + SB + b"\x2cA" + IAC + IAC + IAC + SE + b".1"
)
FOUND = [b"8", Negotiation(WILL, b"\x2c"), b"42\xff", Subnegotiation(b"\x2cA\xff"), b".1"]


@pytest.mark.parametrize("cut", range(len(SENT) + 1))
def test_data_negotiations_and_subnegotiations_wherever_they_are_cut(cut):
    assert fed([SENT[:cut], SENT[cut:]]) == FOUND


@pytest.mark.parametrize(
    "sent",
    [
        b"8" + IAC + SE + b"42",  # an end without a beginning
        b"8" + IAC + b"\xf142",  # NOP
        b"8" + IAC + b"\x0142",  # no command at all
    ],
)
def test_what_means_nothing_is_passed_over(sent):
    assert fed([sent]) == [b"842"]


def test_a_subnegotiation_without_an_end_is_not_kept_for_ever():
    stream = TelnetStream()
    stream.feed(IAC + SB)
    with pytest.raises(TelnetFault):
        stream.feed(bytes(1 << 20))


@given(st.binary(), st.integers(0, 300))
def test_any_bytes_give_the_same_however_they_are_cut(data, cut):
    assert fed([data[:cut], data[cut:]]) == fed([data])


@given(st.binary())
def test_data_alone_comes_through_as_it_is(data):
    assert b"".join(fed([data.replace(IAC, IAC + IAC)])) == data


@pytest.fixture
def port():
    """A port on one end of a socket, as it is once it is open; and the other end."""
    ours, theirs = socket.socketpair()
    made = rfc2217._Port()
    made._socket, made._read_buffer, made.is_open = ours, queue.Queue(), True
    made.logger = None
    made._rfc2217_options, made._telnet_options = {}, []
    made._write_lock = threading.Lock()
    yield made, theirs
    made.is_open = False
    ours.close()
    theirs.close()


def held(port):
    return b"".join(iter(port._read_buffer.get_nowait, None))


@pytest.mark.parametrize(
    "sent",
    [
        IAC + SE,
        IAC + SB + b"\x2c\x6a" + IAC + SE,  # a line state that is not given
        IAC + SB + b"\x2c" + IAC + SE,
        IAC + SB + IAC + SE,
        IAC + DO + b"\x63" + IAC + WILL + b"\x63",
    ],
)
def test_what_a_far_end_should_not_send_ends_nothing(port, sent):
    made, theirs = port
    theirs.sendall(b"842" + sent + b".1\n")
    theirs.shutdown(socket.SHUT_WR)
    made._telnet_read_loop()
    assert held(made) == b"842.1\n"


def test_what_cannot_be_read_on_ends_the_thread_without_a_word(port, capfd):
    """The next read says that the connection is lost; a traceback would say it in the log."""
    made, theirs = port
    theirs.sendall(b"842" + IAC + SB + bytes(4096))
    made._telnet_read_loop()
    assert held(made) == b"842"
    assert capfd.readouterr() == ("", "")


def test_what_came_before_the_far_end_hung_up_is_read_before_that_is_said(port):
    made, theirs = port
    theirs.sendall(b"842.1\r\n")
    theirs.shutdown(socket.SHUT_WR)
    made._thread = threading.Thread(target=made._telnet_read_loop)
    made._thread.start()
    made._thread.join()
    assert made.read(4) + made.read(100) == b"842.1\r\n"
    with pytest.raises(serial.SerialException):
        made.read(1)


class EndsMeanwhile:
    """A reading thread that is seen alive so many times, and not any more then."""

    def __init__(self, times):
        self.times = times

    def is_alive(self):
        self.times -= 1
        return self.times >= 0


@pytest.mark.parametrize("alive", range(9))
def test_no_byte_is_lost_where_the_far_end_hangs_up_while_they_are_read(port, alive):
    """Those that had been taken out by then were: a line, or digits at its beginning."""
    made, _ = port
    made._timeout = 0.02
    made._thread = EndsMeanwhile(alive)
    for byte in b"842.1\r\n":
        made._read_buffer.put(bytes([byte]))
    made._read_buffer.put(None)
    got = []
    with pytest.raises(serial.SerialException):
        got.extend(made.read(7) for _ in range(20))
    assert b"".join(got) == b"842.1\r\n"


def test_a_read_waits_no_longer_than_told_and_gives_what_there_is(port):
    made, _ = port
    made._timeout = 0.02
    made._thread = EndsMeanwhile(10_000)
    assert made.read(4) == b""
    made._read_buffer.put(b"8")
    assert made.read(4) == b"8"


def test_what_nobody_reads_is_not_kept_without_limit(port, monkeypatch):
    """As while the journal takes nothing: the far end has to wait, as on any TCP connection."""
    monkeypatch.setattr(rfc2217, "_MOST_HELD", 5000)
    made, theirs = port
    theirs.settimeout(0.2)
    thread = threading.Thread(target=made._telnet_read_loop)
    thread.start()
    sent = 0
    try:
        while sent < 50_000_000:
            sent += theirs.send(bytes(4096))
    except TimeoutError:
        pass
    assert sent < 50_000_000
    assert made._read_buffer.qsize() < 5000 + 1024
    made.is_open = False
    thread.join()
