"""Ports that will not open, lines that are no lines, and instruments that mean harm."""

import contextlib
import itertools
import json
import os
import random
import shutil
import socket
import threading
import time
from datetime import datetime
from pathlib import Path

import harness
import pytest

pytestmark = pytest.mark.takes(14)

# What an instrument might send to a careless terminal, page or log: title and clipboard escapes,
# a cleared screen, bell, markup of consoles and pages, a formula, a null, a line that goes back.
HOSTILE = (
    b"\x1b]0;owned\x07\x1b]52;c;b3duZWQ=\x07\x1b[2J\x1b[31m",
    b"[bold red]owned[/bold red] [link=file:///]x[/link]",
    b"<script>alert(1)</script>",
    b'=HYPERLINK("x")',
    b"R 842.1\x00mOhm\x08\x08\x08",
    "R \u202e1.248 mOhm".encode(),
    b"\x9b31m\x90\x9d",
)


@pytest.fixture
def pair(rig):
    """A pseudo-terminal held by the test: (master, path of the slave)."""
    master, slave = os.openpty()
    os.set_blocking(master, False)
    path = os.ttyname(slave)
    rig.own(os.fdopen(slave, "rb", buffering=0), "close")
    rig.own(os.fdopen(master, "wb", buffering=0), "close")
    return master, path


def pour(descriptor, data, deadline=harness.LONG):
    """Write all of it, as fast as it is taken."""
    rest = memoryview(data)

    def written():
        nonlocal rest
        with contextlib.suppress(BlockingIOError):
            while rest:
                rest = rest[os.write(descriptor, rest[:4096]) :]
        return not rest

    harness.wait_until(written, "the line is taken", deadline)


def serving(rig, server, function):
    """Run `function` in a thread until the test is over."""
    thread = threading.Thread(target=function)
    thread.start()
    rig.own(thread, "join")
    rig.own(contextlib.ExitStack(), "close").callback(server.shutdown, socket.SHUT_RDWR)


def waiting(subscriber, name):
    """Give the reason for which an instrument waits."""
    return subscriber.wait_for(
        harness.is_state(f"instrument/{name}/state", "waiting"), f"{name} waits"
    ).json()["reason"]


def test_a_port_that_is_busy(rig, broker, subscriber):
    """The holder is named, by daemon and by `check`; when it ends, capture begins by itself."""
    master, slave = os.openpty()
    rig.own(os.fdopen(master, "wb", buffering=0), "close")
    port = os.ttyname(slave)
    rig.configure(broker.port, rig.lines("line", port=port))
    holder = rig.child(
        *harness.PYTHON, "-c",
        "import serial, sys, threading; p = serial.Serial(sys.argv[1], exclusive=True); "
        "print('held', flush=True); threading.Event().wait()",
        port,
    )  # fmt: skip
    harness.wait_until(lambda: "held" in holder.said(), "the port is held")
    os.close(slave)
    checked = rig.run("check")
    assert checked.returncode == 1
    assert "in use by" in checked.stdout
    daemon = rig.daemon(fresh=True)
    reason = waiting(subscriber, "line")
    assert f"{port}: in use by " in reason
    assert f"(process {holder.pid})" in reason
    assert "end that program" in reason
    holder.stop()
    subscriber.wait_for(harness.is_state("instrument/line/state", "running"), "an open port")
    pour(master, b"\r\nR 1.5 mOhm\r\n")
    subscriber.wait_for(harness.is_reading("line"), "a reading")
    lines = rig.run("check", "--json").stdout.splitlines()
    said = {each["what"]: each for each in map(json.loads, lines)}
    assert said["instrument line"] == {
        "what": "instrument line",
        "ok": True,
        "says": f"{port}, 9600 baud, in use by this bench's daemon (process {daemon.pid})",
    }
    assert daemon.stop() == 0


def test_a_port_that_is_absent(rig, broker, subscriber):
    """The missing port is named with what to do; plugged in later, it is taken."""
    path = rig.folder / "line"
    rig.configure(broker.port, rig.lines("line", port=path))
    checked = rig.run("check")
    assert checked.returncode == 1
    assert "no such port" in checked.stdout
    daemon = rig.daemon()
    reason = waiting(subscriber, "line")
    assert f"{path}: no such port" in reason
    assert "plug it in" in reason
    rig.counter("line", 50)
    subscriber.wait_for(harness.is_reading("line"), "a reading")
    assert daemon.stop() == 0


def test_a_port_that_is_forbidden(rig, broker, subscriber):
    """A port without permission says so and how to get it.

    Root passes every permission, so for root the daemon runs without that capability.
    """
    counter, lines = rig.counter("line", 50)
    rig.configure(broker.port, lines, form="text")
    Path(counter.ready["port"]).chmod(0)
    wrap = []
    if os.geteuid() == 0:
        setpriv = shutil.which("setpriv")
        assert setpriv, "as root this test needs setpriv (util-linux)"
        wrap = [setpriv, "--bounding-set=-dac_override,-dac_read_search"]
    checked = rig.run("check", wrap=wrap)
    assert checked.returncode == 1, checked.stdout + checked.stderr
    assert "no permission" in checked.stdout
    daemon = rig.child(*wrap, *harness.PYTHON, "-m", "capture.cli", "run", "--config", rig.config)
    reason = waiting(subscriber, "line")
    assert f"{rig.folder / 'line'}: no permission; add to /etc/udev/rules.d/" in reason
    assert "add this user to group" in reason
    Path(counter.ready["port"]).chmod(0o600)
    subscriber.wait_for(harness.is_reading("line"), "a reading")
    assert daemon.stop() == 0
    assert "no permission" in daemon.said()


def test_a_host_and_a_port_where_nobody_listens(rig, broker, subscriber):
    """A refused connection names the address and what to check."""
    port = harness.free_port()
    rig.configure(broker.port, rig.scpi("ohm", host="127.0.0.1", port=port))
    daemon = rig.daemon()
    reason = waiting(subscriber, "ohm")
    assert f"127.0.0.1:{port}: connection refused; check the port" in reason
    assert daemon.stop() == 0


def test_a_wrong_line_speed(rig, broker, subscriber):
    """Noise gives no reading at all, and the log says what to look at."""
    link = rig.folder / "line"
    rig.simulate("counter", "--pty", link, "--rate", 100, "--baud", 19200)
    rig.configure(broker.port, rig.lines("line", port=link, baud=9600))
    daemon = rig.daemon()
    noise = daemon.wait_for("instrument.malformed")
    assert noise["instrument"] == "line"
    assert "baud" in noise["hint"]
    assert daemon.stop() == 0
    assert not [each for each in rig.entries() if each.kind == "reading"]


def test_hostile_lines(rig, broker, subscriber, pair):
    """Escapes, markup, endless lines and noise give no reading, and disturb nobody else."""
    master, path = pair
    _counter, lines = rig.counter("good", 200)
    hostile = rig.lines("hostile", port=path)
    rig.configure(broker.port, lines, hostile, form="text")
    daemon = rig.daemon()
    subscriber.wait_for(harness.is_state("instrument/hostile/state", "running"), "an open port")
    subscriber.wait_for(harness.is_reading("good"), "the neighbour")
    noise = random.Random(20261125)
    began = time.time()
    pour(master, b"\r\n" + b"\r\n".join(HOSTILE) + b"\r\n")
    pour(master, b"8" * 1_000_000)
    pour(master, b"\r\n" + noise.randbytes(300_000) + b"\r\n")
    before = len(subscriber.entries())
    pour(master, b"R 7.5 mOhm\r\n")
    good = subscriber.wait_for(harness.is_reading("hostile"), "the good line after all that").json()
    assert good["digits"] == "7.5"
    took = time.time() - began
    harness.wait_until(lambda: len(subscriber.entries()) > before + 100, "the neighbour goes on")
    assert daemon.running()
    assert daemon.stop() == 0
    rig.check_delivery(subscriber)
    neighbour = [each.json() for each in rig.entries() if each.instrument == "good"]
    numbers = [int(each["digits"]) for each in neighbour]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    # Read meanwhile, by the daemon's own times. On a busy machine all of it takes longer, of which the
    # neighbour never stands still for most.
    read = [datetime.fromisoformat(each["time"]).timestamp() - began for each in neighbour]
    meanwhile = [0, *(each for each in read if 0 < each < took), took]
    assert max(b - a for a, b in itertools.pairwise(meanwhile)) < max(2, 0.75 * took)
    for text in (daemon.said(), rig.command("readings"), rig.command("readings", "--json")):
        assert_printable(text)


def test_a_hostile_identity(rig, broker, subscriber):
    """What an instrument calls itself is shown without its escapes, wherever it is shown."""
    answers = {
        b"*IDN?": b"\x1b]0;owned\x07EVIL,\x1b[2J[red]ohm[/red],<b>1</b>,1\n",
        b"SYST:ERR?": b'0,"No error"\n',
        b"*ESR?": b"0\n",
        b"FETC?": b"+8.421E-01\n",
    }
    server = rig.own(socket.create_server(("127.0.0.1", 0)), "close")

    def answer():
        with contextlib.suppress(OSError):
            while True:
                connection, _ = server.accept()
                with connection:
                    while asked := connection.recv(4096):
                        for query in asked.splitlines():
                            connection.sendall(answers.get(query, b""))

    serving(rig, server, answer)
    rig.configure(
        broker.port,
        rig.scpi("ohm", host="127.0.0.1", port=server.getsockname()[1]),
        form="text",
    )
    daemon = rig.daemon()
    subscriber.wait_for(harness.is_reading("ohm"), "a reading")
    subscriber.wait_for(
        lambda m: m.topic.endswith("/instrument/ohm/state") and "EVIL" in m.json()["identity"],
        "the identity",
    )
    followed = rig.command("follow", "--count", "2")  # the retained states
    assert daemon.stop() == 0
    for text in (daemon.said(), followed, rig.command("readings")):
        assert_printable(text)


def test_an_instrument_that_chatters_and_never_answers(rig, broker, subscriber):
    """A meter that sends junk for every query gives no reading and is asked no faster."""
    server = rig.own(socket.create_server(("127.0.0.1", 0)), "close")
    asked = []

    def chatter():
        with contextlib.suppress(OSError):
            while True:
                connection, _ = server.accept()
                with connection:
                    while data := connection.recv(4096):
                        asked.append(data)
                        connection.sendall(b"\x1b[31mBUSY\n" * 50)

    serving(rig, server, chatter)
    rig.configure(
        broker.port,
        rig.scpi("ohm", host="127.0.0.1", port=server.getsockname()[1]),
        rig.counter("good", 100)[1],
    )
    began = time.monotonic()
    daemon = rig.daemon()
    daemon.wait_for("instrument.malformed")
    since = subscriber.count()
    harness.wait_until(lambda: subscriber.count() > since + 200, "the neighbour goes on")
    asked_until_then, seconds = len(asked), time.monotonic() - began
    assert daemon.stop() == 0
    assert not [each for each in rig.entries() if each.instrument == "ohm"]
    # Every 0.05 s, as configured, and some for finding out who it is.
    assert asked_until_then < 40 + seconds / 0.05


def test_an_instrument_that_lies_about_its_size(rig, broker, subscriber, pair):
    """Numbers beyond all sense, a hundred digits or a giant exponent, harm nobody."""
    master, path = pair
    rig.configure(broker.port, rig.lines("line", port=path))
    daemon = rig.daemon()
    subscriber.wait_for(harness.is_state("instrument/line/state", "running"), "an open port")
    pour(master, b"\r\n")
    pour(master, b"R " + b"9" * 50 + b" mOhm\r\nR 1" + b"0" * 45 + b" MOhm\r\n")
    pour(master, b"R .............. mOhm\r\nR +-1 mOhm\r\nR 0.0.1 mOhm\r\nR 2.5 mOhm\r\n")
    last = subscriber.wait_for(harness.is_reading("line"), "the good one").json()
    assert last["digits"] == "2.5"
    assert daemon.stop() == 0


def assert_printable(text):
    """No control character but the end of a line, no escape, no direction override."""
    bad = {c for c in text if not c.isprintable() and c != "\n"}
    assert not bad, bad


def test_settings_in_the_environment_win(rig, broker, subscriber):
    """The environment overrides the file, and its faults are told like the file's."""
    rig.configure(1, rig.counter("line", 20)[1])
    daemon = rig.daemon(environment={"BENCHTALLY_BROKER__PORT": str(broker.port)})
    subscriber.wait_for(harness.is_reading("line"), "a reading")
    assert daemon.stop() == 0
    done = rig.run("check", environment={"BENCHTALLY_BROKER__PORT": "no number"})
    assert done.returncode == 2
    assert "broker.port" in done.stderr


def test_an_instrument_that_is_another_one_gives_no_readings(rig):
    """Over TCP anybody may answer: one that does not say what it must is refused, and said so."""
    impostor = rig.simulate("scpi-resistance", "--tcp", 0, "-o", "rate=20", "-o", "pair=U-V")
    place = {"host": "127.0.0.1", "port": int(impostor.ready["tcp"].rpartition(":")[2])}
    right = rig.scpi("right", **place).replace(
        'driver = "scpi-meter"', 'driver = "scpi-meter"\nidentity = "SIM-0001"'
    )
    wrong = rig.scpi("wrong", **place).replace(
        'driver = "scpi-meter"', 'driver = "scpi-meter"\nidentity = "SIM-0815"'
    )
    rig.configure(rig.mosquitto().port, wrong)
    daemon = rig.daemon()

    def refused():
        return [
            each
            for each in daemon.events("instrument.state")
            if "which has no 'SIM-0815' in it" in each["reason"]
        ]

    harness.wait_until(
        lambda: len(refused()) >= 2, "it is refused, and again when it is tried again"
    )
    assert daemon.stop() == 0, daemon.said()
    assert not [each for each in rig.entries() if each.kind == "reading"]
    rig.configure(rig.mosquitto().port, right)
    daemon = rig.daemon()
    rig.wait_for_length(3)
    assert daemon.stop() == 0, daemon.said()
