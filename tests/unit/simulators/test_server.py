"""The server in this process: several stations, hand commands from a pipe, stopped from outside."""

import contextlib
import io
import json
import os
import socket
import threading
from pathlib import Path

import pytest

from simulators import catalogue
from simulators.faults import Damaged
from simulators.ports import PseudoTerminal, TcpServer
from simulators.serve import Server, Station, serve_forever

WAIT = 60.0


class Answers(io.StringIO):
    """Collects lines and lets a test wait for the next one."""

    def __init__(self):
        super().__init__()
        self.arrived = threading.Condition()
        self.lines = []

    def write(self, text):
        with self.arrived:
            self.lines += [line for line in text.split("\n") if line]
            self.arrived.notify_all()
        return len(text)

    def wait_for(self, count):
        with self.arrived:
            assert self.arrived.wait_for(lambda: len(self.lines) >= count, WAIT), self.lines
            return self.lines[count - 1]


def station(kind, port, **options):
    return Station(kind, Damaged(catalogue.make(kind, options)), port)


@pytest.fixture
def pipe():
    ends = os.pipe()
    yield ends
    for end in ends:
        with contextlib.suppress(OSError):  # the test may have closed it
            os.close(end)


def test_several_instruments_in_one_process(pipe, reader):
    read_end, write_end = pipe
    answers = Answers()
    stations = [
        station("talk-only", PseudoTerminal(), rate="0", noise="0"),
        station("scpi-lcr", TcpServer()),
    ]
    serving = threading.Thread(
        target=serve_forever,
        args=(stations,),
        kwargs={"hand": read_end, "answers": answers, "stop_at_eof": True},
    )
    serving.start()
    places = json.loads(answers.wait_for(1))
    assert [place["kind"] for place in places] == ["talk-only", "scpi-lcr"]
    line = os.open(places[0]["port"], os.O_RDWR | os.O_NOCTTY)
    os.write(write_end, b"0 pre")
    os.write(write_end, b"ss\n1 function RX\ndance\n7 press\n")
    assert reader(line, b"\r\n") == b" 512.4 MOhm\r\n"
    os.close(line)
    assert answers.wait_for(2) == "ok: pressed"
    assert answers.wait_for(3) == "ok: function RX"
    assert (
        answers.wait_for(4) == answers.wait_for(5) == ("no: begin with a station's number, 0 to 1")
    )
    host, _, port = places[1]["tcp"].rpartition(":")
    with socket.create_connection((host, int(port)), timeout=WAIT) as sock:
        sock.sendall(b"FUNC:IMP?\n")
        assert sock.recv(100) == b"RX\n"
    os.close(write_end)
    serving.join(WAIT)
    assert not serving.is_alive()
    assert not stations[0].port.plugged


def test_stop_from_another_thread():
    """A server with nothing to do sleeps without a limit, and `stop` wakes it."""
    place = TcpServer()
    server = Server([station("pulse-tester", place)])
    serving = threading.Thread(target=server.run)
    serving.start()
    server.stop()
    serving.join(WAIT)
    assert not serving.is_alive()
    assert not place.plugged


def test_pulse_tester_sends_nothing_whatever_comes():
    place = TcpServer()
    pulse_tester = station("pulse-tester", place)
    server = Server([pulse_tester])
    serving = threading.Thread(target=server.run)
    serving.start()
    address = place.place()["tcp"].rpartition(":")
    with socket.create_connection((address[0], int(address[2])), timeout=WAIT) as sock:
        sock.sendall(b"*IDN?\nREAD?\n" * 100)
        sock.shutdown(socket.SHUT_WR)
        assert sock.recv(100) == b""  # the end, and nothing before it
    server.stop()
    serving.join(WAIT)


def open_descriptors():
    return len(list(Path("/proc/self/fd").iterdir()))


def test_two_thousand_unplugs_leak_no_descriptor(tmp_path):
    port = PseudoTerminal(tmp_path / "meter")
    before = open_descriptors()
    for _ in range(2000):
        port.unplug()
        port.plug()
    assert open_descriptors() == before
    port.close()
    assert list(tmp_path.iterdir()) == []


def test_a_link_taken_over_by_another_is_left_alone(tmp_path):
    link = tmp_path / "meter"
    first, second = PseudoTerminal(link), PseudoTerminal(link)
    first.close()
    assert str(link.readlink()) == second.place()["port"]
    second.close()
    assert list(tmp_path.iterdir()) == []


def test_next_client_does_not_suffer_for_one_that_has_just_gone():
    place = TcpServer()
    host, _, port = place.place()["tcp"].rpartition(":")
    first = socket.create_connection((host, int(port)))
    assert place.admit() is False
    first.sendall(b"*CLS\n")
    first.close()
    with socket.create_connection((host, int(port)), timeout=WAIT) as second:
        # All in the same turn of the loop: the bytes, the end, and the next client.
        assert place.read() == (b"*CLS\n", False)
        assert place.admit() is True
        place.send(b"hello")
        assert second.recv(100) == b"hello"
        with socket.create_connection((host, int(port)), timeout=WAIT) as third:
            assert place.admit() is False
            assert third.recv(100) == b""
    place.close()
