"""Simulators as child processes, reached like real instruments: pseudo-terminal and TCP."""

import contextlib
import os
import select
import socket
import termios
import tty

import pytest
import serial

from simulators.child import Child, SimulatorError

WAIT = 60.0


@contextlib.contextmanager
def terminal(path):
    descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)
    try:
        tty.setraw(descriptor)
        yield descriptor
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def connection(place):
    host, _, port = place.rpartition(":")
    with socket.create_connection((host, int(port)), timeout=WAIT) as sock:
        yield sock


def gone(descriptor):
    """Wait until the other side of a pseudo-terminal is closed."""
    poll = select.poll()
    poll.register(descriptor, select.POLLHUP)
    return bool(poll.poll(WAIT * 1000))


def test_query_over_a_pseudo_terminal(simulate, reader, tmp_path):
    link = tmp_path / "meter"
    simulator = simulate("scpi-resistance", "--pty", str(link))
    assert simulator.ready["kind"] == "scpi-resistance"
    assert simulator.ready["link"] == str(link)
    assert str(link.readlink()) == simulator.ready["port"]
    with terminal(link) as line:
        os.write(line, b"*IDN?\n")
        assert reader(line, b"\n").startswith(b"BENCHTALLY,")
    with terminal(link) as line:  # hosts come and go
        os.write(line, b"*OPC?\n")
        assert reader(line, b"\n") == b"1\n"
    assert simulator.stop() == 0
    assert not os.path.lexists(link)


def test_pyserial_reads_it(simulate):
    simulator = simulate("talk-only", "--rate", "50", "-o", "noise=0")
    with serial.Serial(simulator.ready["port"], 9600, timeout=WAIT) as port:
        port.read_until(b"\r\n")  # the first line may be torn
        assert port.read_until(b"\r\n") == b" 512.4 MOhm\r\n"


def test_hand_moves_the_leads(simulate, reader):
    simulator = simulate("scpi-resistance", "--rate", "200", "-o", "inductances=1e-6/1e-6/1e-6")
    assert simulator.hand("pair U-V") == "ok: leads on U-V"
    with terminal(simulator.ready["port"]) as line:
        os.write(line, b"READ?\n")
        assert float(reader(line, b"\n")) == pytest.approx(0.8242, rel=1e-3)
        assert simulator.hand("lift") == "ok: leads lifted"
        os.write(line, b"READ?\n")
        assert float(reader(line, b"\n")) == 9.9e37


def test_unplug_is_seen_and_plug_makes_a_new_one(simulate, reader, tmp_path):
    link = tmp_path / "meter"
    simulator = simulate("scpi-resistance", "--pty", str(link))
    for _ in range(10):
        with terminal(link) as line:
            assert simulator.hand("unplug") == "ok: unplugged"
            assert gone(line)
        assert not os.path.lexists(link)
        assert simulator.hand("plug").startswith("ok: plugged in at ")
        with terminal(link) as line:
            os.write(line, b"*OPC?\n")
            assert reader(line, b"\n") == b"1\n"


def test_vanish_takes_the_port_away(simulate, some, tmp_path):
    link = tmp_path / "meter"
    simulator = simulate(
        "counter", "--pty", str(link), "--fault", "vanish:after=500", "-o", "autostart=no"
    )
    with terminal(link) as line:
        simulator.hand("start")
        assert len(some(line, 10_000)) <= 500
        assert gone(line)
    assert simulator.hand("plug").startswith("ok: plugged in at ")
    with terminal(link) as line:
        assert some(line, 200).count(b"mOhm") > 5  # of at most 20 bytes each


def test_tcp_serves_one_client_and_refuses_the_next(simulate):
    simulator = simulate("scpi-resistance", "--tcp", "0")
    with connection(simulator.ready["tcp"]) as first:
        first.sendall(b"*OPC?\n")
        assert first.recv(100) == b"1\n"
        with connection(simulator.ready["tcp"]) as second:
            assert second.recv(100) == b""
        first.sendall(b"*OPC?\n")
        assert first.recv(100) == b"1\n"
    with connection(simulator.ready["tcp"]) as third:
        third.sendall(b"*OPC?\n")
        assert third.recv(100) == b"1\n"


def test_tcp_queues_clients_when_asked(simulate):
    simulator = simulate("scpi-resistance", "--tcp", "0", "--queue-clients")
    with contextlib.ExitStack() as stack:
        first = stack.enter_context(connection(simulator.ready["tcp"]))
        second = stack.enter_context(connection(simulator.ready["tcp"]))
        second.sendall(b"*OPC?\n")
        first.sendall(b"*ESE?\n")
        assert first.recv(100) == b"0\n"
        assert select.select([second], [], [], 0)[0] == []
        first.close()
        assert second.recv(100) == b"1\n"


def test_reconnecting_leaves_a_late_answer_behind(simulate):
    simulator = simulate("scpi-resistance", "--tcp", "0", "--fault", "delay:seconds=0.3")
    with connection(simulator.ready["tcp"]) as first:
        first.sendall(b"*IDN?\n")
    with connection(simulator.ready["tcp"]) as second:
        second.sendall(b"*OPC?\n")
        assert second.recv(100) == b"1\n"


def test_tcp_unplug_and_plug_keep_the_port(simulate, free_port):
    simulator = simulate("scpi-resistance", "--tcp", str(free_port()))
    with connection(simulator.ready["tcp"]) as sock:
        sock.sendall(b"*OPC?\n")
        assert sock.recv(100) == b"1\n"
        simulator.hand("unplug")
        assert sock.recv(1) == b""
    with pytest.raises(ConnectionRefusedError), connection(simulator.ready["tcp"]):
        pass
    simulator.hand("plug")
    with connection(simulator.ready["tcp"]) as sock:
        sock.sendall(b"*OPC?\n")
        assert sock.recv(100) == b"1\n"


def counted(data):
    return [int(line.split()[1]) for line in data.decode().splitlines()]


@pytest.mark.parametrize("place", ["pty", "tcp"])
def test_lossless_stream_has_no_gap_though_the_host_dawdles(simulate, some, place):
    count = 20_000
    where = ["--tcp", "0"] if place == "tcp" else []
    simulator = simulate(
        "counter", *where, "--rate", "100000", "-o", f"count={count}", "-o", "autostart=no",
        "--lossless",
    )  # fmt: skip
    size = sum(len(f"R {n} mOhm\r\n") for n in range(1, count + 1))
    with contextlib.ExitStack() as stack:
        if place == "tcp":
            source = stack.enter_context(connection(simulator.ready["tcp"])).fileno()
        else:
            source = stack.enter_context(terminal(simulator.ready["port"]))
        simulator.hand("start")
        # The host reads nothing until the line is full.
        sent = -1
        while sent < (now := int(simulator.hand("count").removeprefix("ok: "))):
            sent = now
        data = some(source, size)
    assert counted(data) == list(range(1, count + 1))
    assert simulator.hand("dropped") == "ok: 0"


def test_bytes_that_nobody_reads_are_lost_and_the_meter_goes_on(simulate, some):
    simulator = simulate("counter", "--rate", "100000", "-o", "count=50000", "-o", "autostart=no")
    with terminal(simulator.ready["port"]) as line:
        simulator.hand("start")
        while simulator.hand("count") != "ok: 50000":
            pass
        lost = int(simulator.hand("dropped").removeprefix("ok: "))
        assert lost > 0
        assert some(line, 1000).startswith(b"R 1 mOhm\r\nR 2 mOhm\r\n")


def test_wrong_speed_is_noise_and_the_right_one_is_not(simulate, reader, some):
    simulator = simulate("talk-only", "--rate", "100", "-o", "noise=0", "--baud", "9600")
    with serial.Serial(simulator.ready["port"], 115200, timeout=WAIT) as port:
        port.reset_input_buffer()
        assert b"512.4" not in port.read(200)
    with serial.Serial(simulator.ready["port"], 9600, timeout=WAIT) as port:
        assert b"512.4 MOhm" in port.read(200)
    assert termios.B9600


def test_simulator_ends_with_its_starter(simulate):
    simulator = simulate("talk-only")
    simulator.process.stdin.close()
    assert simulator.process.wait(WAIT) == 0


def test_quit_ends_it(simulate):
    simulator = simulate("talk-only")
    assert simulator.hand("quit") == "ok: stopping"
    assert simulator.process.wait(WAIT) == 0
    with pytest.raises(SimulatorError):
        simulator.hand("press")


def test_what_is_wrong_is_told():
    with pytest.raises(SimulatorError, match="unknown kind 'dance'"):
        Child("dance")


def test_unknown_commands_get_one_clear_line(simulate):
    simulator = simulate("talk-only")
    answer = simulator.hand("dance")
    assert answer.startswith("no: unknown command 'dance'; known: ")
    assert "unplug" in simulator.hand("help")
