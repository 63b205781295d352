"""Instruments come, go and come back under other paths; people ask what is plugged in.

One file, since what is listed and what is captured must be the same port on the same daemon.
"""

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
import tomllib
from types import SimpleNamespace

import pytest
from own_ports import free_port
from serial.tools import list_ports
from structlog.testing import capture_logs

from capture.cli import ports
from capture.clock import SystemClock
from capture.config import Config, SerialSettings
from capture.discovery import Device, Listing, Watcher, is_meant
from capture.driver.profile import load_profile
from capture.links import SerialLink
from capture.runtime import Instrument, MessagePolicy, Supervisor
from drivers.ascii_meter.driver import AsciiMeter, AsciiMeterOptions
from simulators.child import Child

pytestmark = pytest.mark.takes(28)

_LONG = 60.0  # until a test gives up, as in harness.py
_COMMAND = (sys.executable, "-P", "-m", "capture.cli")


def wait_until(condition, what, seconds=_LONG):
    never, end = threading.Event(), time.monotonic() + seconds
    while not (found := condition()):
        assert time.monotonic() < end, f"not within {seconds:g} s: {what}"
        never.wait(0.02)
    return found


def benchtally(*arguments, given="", environment=None):
    return subprocess.run(
        [*_COMMAND, *map(str, arguments)],
        input=given,
        capture_output=True,
        text=True,
        check=False,
        timeout=2 * _LONG,
        env={**os.environ, **(environment or {})},
    )


@pytest.fixture
def simulate():
    with contextlib.ExitStack() as stack:
        yield lambda *arguments: stack.enter_context(Child(*map(str, arguments)))


class Daemon:
    """`benchtally run` on a configuration; its log is read as JSON."""

    def __init__(self, folder, instruments):
        config = folder / "benchtally.toml"
        config.write_text(
            f'site = "sawmill"\nbench = "bench-1"\n[broker]\nport = {free_port()}\n'
            f'[log]\nform = "json"\n{instruments}'
        )
        self.log = folder / "daemon.log"
        with self.log.open("wb") as sink:
            self.process = subprocess.Popen(
                [*_COMMAND, "run", "--config", config],
                stdout=sink,
                stderr=sink,
                start_new_session=True,
            )

    def events(self, name, **members):
        found = []
        for line in self.log.read_text().splitlines():
            with contextlib.suppress(ValueError):
                event = json.loads(line)
                if event.get("event") == name and members.items() <= event.items():
                    found.append(event)
        return found

    def wait_for(self, name, count=1, **members):
        wait_until(
            lambda: len(self.events(name, **members)) >= count, f"{name} {members} in the log"
        )
        return self.events(name, **members)[count - 1]

    def end(self):
        if self.process.poll() is None:
            self.process.terminate()
        try:
            return self.process.wait(_LONG)
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self.process.pid, signal.SIGKILL)


@pytest.fixture
def daemon(tmp_path):
    started = []

    def start(instruments):
        started.append(Daemon(tmp_path, instruments))
        return started[-1]

    yield start
    for each in started:
        each.end()


def lines(name, port):
    return (
        f'[instruments.{name}]\ndriver = "ascii-meter"\n'
        f'[instruments.{name}.link]\nkind = "serial"\nport = "{port}"\n'
        f'[instruments.{name}.options]\nprofile = "insulation-lines"\n'
    )


# ── the running daemon ───────────────────────────────────────────────────────────────────────────


def test_the_daemon_sees_a_port_go_and_come_and_its_worker_reads_on(daemon, simulate, tmp_path):
    link = tmp_path / "meter"
    meter = simulate("talk-only", "--pty", link, "--rate", "20")
    running = daemon(lines("insulation-1", link))
    running.wait_for("instrument.state", state="running")
    for round_ in (1, 2, 3):
        meter.hand("unplug")
        running.wait_for("port.vanished", round_, port=str(link))
        running.wait_for("instrument.state", round_, state="waiting")
        meter.hand("plug")
        running.wait_for("port.appeared", round_, port=str(link))
        running.wait_for("instrument.state", round_ + 1, state="running")
    assert running.end() == 0
    assert "Traceback" not in running.log.read_text()


def test_a_port_that_was_never_there_is_opened_when_it_appears(daemon, simulate, tmp_path):
    link = tmp_path / "meter"
    running = daemon(lines("insulation-1", link))
    running.wait_for("instrument.state", state="waiting")
    simulate("talk-only", "--pty", link, "--rate", "20")
    running.wait_for("port.appeared", port=str(link))
    running.wait_for("instrument.state", state="running")


# ── found again in any socket ────────────────────────────────────────────────────────────────────


class Store:
    """Keeps drafts."""

    def __init__(self):
        self.drafts = []

    def append(self, entries):
        self.drafts += [each.draft() for each in entries]


class Sockets:
    """USB sockets, as the system's list of ports shows them."""

    def __init__(self, monkeypatch):
        self.plugged = {}
        monkeypatch.setattr(list_ports, "comports", self.comports)

    def comports(self):
        return [
            SimpleNamespace(
                device=path,
                vid=0x0403,
                pid=0x6001,
                serial_number=serial,
                location=f"1-{number}",
                description="Serial adapter",
            )
            for number, (serial, path) in enumerate(self.plugged.items())
        ]


@pytest.fixture
def captured(monkeypatch):
    """One instrument, configured by USB identity, with watcher and supervisor as in the daemon."""
    sockets, store, port = Sockets(monkeypatch), Store(), "usb:0403:6001:A1"
    profile = load_profile("insulation-lines", "drivers.ascii_meter", "ascii-meter")
    instrument = Instrument(
        id="insulation-1",
        site="sawmill",
        bench="bench-1",
        driver_id="ascii-meter",
        driver_version="1",
        profile=profile,
        make_driver=lambda: AsciiMeter(AsciiMeterOptions(profile="insulation-lines")),
        make_link=lambda: SerialLink(SerialSettings(port=port)),
        policy=MessagePolicy(),
    )
    supervisor = Supervisor([instrument], store, SystemClock(), lambda _snapshot: None)

    def on_ports(change):
        supervisor.wake("insulation-1" for each in change.appeared if is_meant(port, each))

    watcher = Watcher(Listing(nodes=None), SystemClock(), on_ports, interval=0.05)
    supervisor.start()
    watcher.start()
    yield SimpleNamespace(sockets=sockets, store=store, supervisor=supervisor)
    assert watcher.stop(_LONG)
    assert supervisor.stop(_LONG) == []


def test_a_configured_instrument_is_found_again_in_any_usb_socket(captured, simulate, tmp_path):
    """Each time under another path; another adapter takes its old one, and is not read."""
    stranger = simulate("talk-only", "--pty", tmp_path / "stranger", "--rate", "20")
    captured.sockets.plugged["B2"] = stranger.ready["port"]
    paths = []
    for round_ in range(3):
        meter = simulate("talk-only", "--pty", tmp_path / f"socket-{round_}", "--rate", "20")
        paths.append(meter.ready["port"])
        before = len(captured.store.drafts)
        captured.sockets.plugged["A1"] = meter.ready["port"]
        wait_until(lambda n=before: len(captured.store.drafts) > n + 2, "readings")
        # No longer listed before its line is given up: that line may be another test's at once.
        del captured.sockets.plugged["A1"]
        meter.hand("unplug")
        wait_until(
            lambda: captured.supervisor.snapshots()[0].state == "waiting", "the loss is noticed"
        )
    used = {draft.source.link for draft in captured.store.drafts}
    assert used == {f"usb:0403:6001:A1 at {path}" for path in paths}
    assert stranger.ready["port"] not in " ".join(used)


def test_two_adapters_with_one_serial_number_are_not_guessed_between(captured, simulate, tmp_path):
    meters = [
        simulate("talk-only", "--pty", tmp_path / name, "--rate", "20") for name in ("a", "b")
    ]
    sockets = captured.sockets
    sockets.comports = lambda: [
        SimpleNamespace(
            device=meter.ready["port"],
            vid=0x0403,
            pid=0x6001,
            serial_number="A1",
            location="",
            description="",
        )
        for meter in meters
    ]
    list_ports.comports = sockets.comports
    snapshot = wait_until(
        lambda: (s := captured.supervisor.snapshots()[0]) and "2 adapters" in s.reason and s,
        "the ambiguity is told",
    )
    assert "by-path" in snapshot.reason
    assert not captured.store.drafts


def test_a_link_that_changes_its_path_is_followed(simulate, tmp_path):
    """The configured name stays; what it points at is looked up at each opening."""
    first = simulate("talk-only", "--pty", tmp_path / "first", "--rate", "20")
    second = simulate("talk-only", "--pty", tmp_path / "second", "--rate", "20")
    name = tmp_path / "by-id"
    link = SerialLink(SerialSettings(port=str(name)))
    for meter in (first, second, first):
        name.unlink(missing_ok=True)
        name.symlink_to(meter.ready["port"])
        link.open()
        try:
            assert wait_until(lambda: link.read(100, 0.25)[0], "bytes")
        finally:
            link.close()


# ── benchtally ports ─────────────────────────────────────────────────────────────────────────────


def test_ports_prints_one_object_a_line():
    done = benchtally("ports", "--json")
    assert done.returncode == 0, done.stderr
    for line in done.stdout.splitlines():
        assert {"path", "identity", "usable", "holder", "hint", "remark"} <= set(json.loads(line))


def test_a_probe_needs_a_yes(simulate, tmp_path):
    meter = simulate("scpi-resistance", "--pty", tmp_path / "meter")
    for given in ("n\n", ""):
        done = benchtally("ports", "--probe", tmp_path / "meter", given=given)
        assert done.returncode == 1
        assert "DTR and RTS" in done.stderr
        assert "nothing was sent" in done.stderr
        assert done.stdout == ""
    assert meter.process.poll() is None


def test_a_probe_proposes_a_block_that_the_daemon_captures_with(daemon, simulate, tmp_path):
    """From an unknown meter on a port to readings, with nothing but what the probe prints."""
    link = tmp_path / "meter"
    simulate("scpi-resistance", "--pty", link, "--baud", "19200")
    done = benchtally("ports", "--probe", link, given="y\n")
    assert done.returncode == 0, done.stderr
    block = tomllib.loads(done.stdout)
    assert block["instruments"]["instrument-1"]["link"]["baud"] == 19200
    Config(site="sawmill", bench="bench-1", **block)
    running = daemon(done.stdout)
    running.wait_for("instrument.identified")


def test_a_probe_of_a_talk_only_meter_sends_nothing(simulate, tmp_path):
    link = tmp_path / "meter"
    simulate("talk-only", "--pty", link, "--rate", "5", "--baud", "4800")
    done = benchtally("ports", "--probe", link, "--yes", "--json")
    assert done.returncode == 0, done.stderr
    (found,) = [json.loads(line) for line in done.stdout.splitlines()]
    assert found["asked"] is False
    assert found["proposals"][0]["profile"] == "insulation-lines"
    assert (
        tomllib.loads(found["proposals"][0]["toml"])["instruments"]["instrument-1"]["link"]["baud"]
        == 4800
    )


def test_a_probe_over_tcp(simulate):
    meter = simulate("scpi-lcr", "--tcp", "0")
    done = benchtally("ports", "--probe", meter.ready["tcp"], "--yes")
    assert done.returncode == 0, done.stderr
    assert tomllib.loads(done.stdout)["instruments"]["instrument-1"]["link"]["kind"] == "tcp"


def test_a_port_that_another_program_holds_is_not_probed(simulate, tmp_path):
    link = tmp_path / "meter"
    simulate("talk-only", "--pty", link)
    held = SerialLink(SerialSettings(port=str(link)))
    held.open()
    try:
        done = benchtally("ports", "--probe", link, "--yes")
    finally:
        held.close()
    assert done.returncode == 1
    assert "in use by" in done.stderr
    assert "(process " in done.stderr


def test_a_port_that_is_not_there_is_one_line(tmp_path):
    done = benchtally("ports", "--probe", tmp_path / "none", "--yes")
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "no such port" in done.stderr


def test_watching_goes_on_until_it_is_interrupted():
    with subprocess.Popen(
        [*_COMMAND, "ports", "--watch"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    ) as child:
        assert child.stdout.readline()  # what is there, or that there is nothing
        with pytest.raises(subprocess.TimeoutExpired):
            child.wait(0.5)
        child.send_signal(signal.SIGINT)
        _, said = child.communicate(timeout=_LONG)
    assert child.returncode == 0
    assert b"Traceback" not in said


def test_watching_tells_what_comes_and_goes(capsys, monkeypatch):
    monkeypatch.setattr("capture.logs.configure_logs", lambda *_given: None)
    monkeypatch.setattr("capture.discovery.watch.INTERVAL", 0.0)
    device = Device("serial", "/dev/ttyUSB0", 0x0403, 0x6001, "A1")
    looks = iter([[], [device], [device], [], []])

    def listing():
        try:
            return next(looks)
        except StopIteration:
            raise KeyboardInterrupt from None

    with capture_logs():
        assert ports._watch(listing, as_json=True) == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(each["event"], each["identity"]) for each in told] == [
        ("appeared", "usb:0403:6001:A1"),
        ("vanished", "usb:0403:6001:A1"),
    ]


def test_a_device_that_comes_while_watching_is_told(capsys):
    ports._tell(
        "appeared",
        Device("serial", "/dev/ttyUSB0", 0x0403, 0x6001, "A1", description="\x1b[2J"),
        [Device("serial", "/dev/ttyUSB0", 0x0403, 0x6001, "A1")],
        as_json=False,
    )
    assert capsys.readouterr().out == "appeared: /dev/ttyUSB0, write as usb:0403:6001:A1\n"
