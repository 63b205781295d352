"""A driver from somebody else: installed with pip, found, captured with; refused or kept apart."""

import contextlib
import dataclasses
import importlib.util
import json
import os
import re
import select
import shutil
import signal
import socket
import sqlite3
import struct
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import get_args

import pytest
from own_ports import free_port

from capture.driver import API_VERSION, Action, Driver, DriverSpec, Event, Reply

pytestmark = pytest.mark.takes(15)

_EXAMPLE = Path(__file__).parents[2] / "examples" / "clamp-meter-driver"
_COMMAND = (sys.executable, "-P", "-m", "capture.cli")
_LONG = 60.0  # until a test gives up, as in harness.py


def wait_until(condition, what, seconds=_LONG):
    never, end = threading.Event(), time.monotonic() + seconds
    while not (found := condition()):
        assert time.monotonic() < end, f"not within {seconds:g} s: {what}"
        never.wait(0.02)
    return found


# ── environments ─────────────────────────────────────────────────────────────────────────────────


def install(source, target):
    """Build and install a package into a folder, as a person's pip does."""
    how = ["--no-deps", "--quiet", "--disable-pip-version-check", "--target", target]
    if importlib.util.find_spec("hatchling"):
        how.append("--no-build-isolation")
    done = subprocess.run(
        [sys.executable, "-P", "-m", "pip", "install", *how, source],
        capture_output=True,
        text=True,
        check=False,
        timeout=180,
    )
    assert done.returncode == 0, done.stderr
    return target


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    """The example, installed; it is shared by tests that only read it."""
    source = tmp_path_factory.mktemp("source") / "package"
    shutil.copytree(_EXAMPLE, source, ignore=shutil.ignore_patterns("__pycache__", "build"))
    return install(source, tmp_path_factory.mktemp("environment"))


@pytest.fixture
def altered(package, tmp_path):
    """Install the example with one text of one of its files replaced."""

    def made(file, old, new):
        target = tmp_path / "altered"
        shutil.copytree(package, target)
        path = target / file
        text = path.read_text()
        assert text.count(old) == 1
        path.write_text(text.replace(old, new))
        shutil.rmtree(path.parent / "__pycache__", ignore_errors=True)
        return target

    return made


def benchtally(environment, *arguments):
    return subprocess.run(
        [*_COMMAND, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        timeout=2 * _LONG,
        env={**os.environ, "PYTHONPATH": str(environment)},
    )


def drivers_in(environment):
    done = benchtally(environment, "drivers", "--json")
    assert done.returncode == 0, done.stderr
    return {d["id"]: d for d in map(json.loads, done.stdout.splitlines())}, done.stderr


# ── the device ───────────────────────────────────────────────────────────────────────────────────


def crc(data):
    """CRC-16/IBM-3740, written anew: the device shares no code with the driver."""
    register = 0xFFFF
    for bit in "".join(f"{byte:08b}" for byte in data):
        out = (register >> 15) ^ int(bit)
        register = (register << 1) & 0xFFFF
        if out:
            register ^= 0x1021
    return register


class ClampMeter:
    """A simulated clamp meter: a packet each 20 ms to whoever connects, and junk between some."""

    def __init__(self):
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="clamp-meter")
        self.sent = 0
        self._thread.start()

    def close(self):
        self._stop.set()
        self._thread.join(_LONG)
        self._listener.close()
        assert not self._thread.is_alive()

    def _serve(self):
        while not self._stop.is_set():
            if select.select([self._listener], [], [], 0.05)[0]:
                client, _ = self._listener.accept()
                with client, contextlib.suppress(OSError):
                    self._talk(client)

    def _talk(self, client):
        while not self._stop.wait(0.02):
            self.sent += 1
            # Each packet tells its own number, as a current in hundredths of an ampere.
            body = bytes([13, self.sent % 256])
            body += struct.pack(">BbiBbi", 1, -2, self.sent, 3, -1, 500)
            junk = b"\x00\x5a\xff" if self.sent % 10 == 0 else b""
            client.sendall(junk + b"\x5a" + body + struct.pack(">H", crc(body)))


@pytest.fixture
def clamp():
    meter = ClampMeter()
    yield meter
    meter.close()


# ── the daemon ───────────────────────────────────────────────────────────────────────────────────


def configure(folder, port, driver="clamp-packets"):
    path = folder / "benchtally.toml"
    path.write_text(
        f'site = "sawmill"\nbench = "bench-1"\n[journal]\npath = "bench.journal"\n'
        f'[broker]\nport = {free_port()}\n[log]\nform = "json"\n'
        f'[instruments.fan-clamp]\ndriver = "{driver}"\n'
        f'[instruments.fan-clamp.link]\nkind = "tcp"\nhost = "127.0.0.1"\nport = {port}\n'
        f'[instruments.fan-clamp.options.conditions]\nconductor = "supply of extraction fan 3"\n'
    )
    return path


@contextlib.contextmanager
def running(environment, config, log):
    with log.open("wb") as sink:
        process = subprocess.Popen(
            [*_COMMAND, "run", "--config", config],
            stdout=sink,
            stderr=sink,
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": str(environment)},
        )
    try:
        yield process
        # There is no broker. A publisher that is not up yet does not end in the time that a stop has.
        wait_until(lambda: '"broker.away"' in log.read_text(), "the publisher is up")
        process.terminate()
        assert process.wait(_LONG) == 0, log.read_text()
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def readings(journal):
    if not journal.exists():
        return []
    with contextlib.closing(sqlite3.connect(f"file:{journal}?mode=ro", uri=True)) as database:
        try:
            rows = database.execute("SELECT * FROM entries ORDER BY n").fetchall()
        except sqlite3.OperationalError:
            return []  # just being made
    found = []
    for row in rows:
        body = next(value for value in row if isinstance(value, bytes) and value[:1] == b"{")
        entry = json.loads(body)
        if "quantity" in entry:
            found.append(entry)
    return found


# ── a good package ───────────────────────────────────────────────────────────────────────────────


def test_an_installed_package_is_found_beside_the_built_in_drivers(package):
    drivers, complaints = drivers_in(package)
    assert drivers["clamp-packets"]["from"] == "benchtally-clamp-packets"
    assert drivers["clamp-packets"]["version"] == "1.0.0"
    assert {"scpi-meter", "ascii-meter"} <= set(drivers)
    assert complaints == ""


def test_it_captures_through_the_daemon(package, clamp, tmp_path):
    """From packets on a socket to readings in the journal: every number, in order."""
    config, log = configure(tmp_path, clamp.port), tmp_path / "daemon.log"
    journal = tmp_path / "bench.journal"
    with running(package, config, log):
        wait_until(lambda: len(readings(journal)) >= 60, f"readings; {log.read_text()}")
    taken = readings(journal)
    currents = [r for r in taken if r["quantity"] == "current"]
    numbers = [round(r["value"] * 100) for r in currents]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    first = currents[0]
    assert first["unit"] == "A"
    assert first["digits"] == f"{numbers[0] / 100:.2f}"
    assert first["conditions"]["conductor"] == "supply of extraction fan 3"
    assert first["source"]["driver"] == "clamp-packets"
    assert first["source"]["driver_version"] == "1.0.0"
    frequencies = [r for r in taken if r["quantity"] == "frequency"]
    assert {r["value"] for r in frequencies} == {50.0}
    assert len(frequencies) == len(currents)
    assert "Traceback" not in log.read_text()
    assert '"instrument.malformed"' in log.read_text(), "the junk between packets went unreported"


def test_its_own_contract_test_passes(package):
    done = subprocess.run(
        [sys.executable, "-P", "-m", "pytest", "-q", "-p", "no:cacheprovider", _EXAMPLE / "tests"],
        capture_output=True,
        text=True,
        check=False,
        timeout=180,
        env={**os.environ, "PYTHONPATH": str(package), "PYTHONDONTWRITEBYTECODE": "1"},
        cwd=package,
    )
    assert done.returncode == 0, done.stdout
    assert " passed" in done.stdout


def test_the_page_on_the_interface_is_for_this_version_and_names_all_of_it():
    page = (_EXAMPLE.parents[1] / "docs" / "driver-interface.md").read_text("utf-8")
    assert page.startswith(f"# The driver interface, version {API_VERSION}\n")
    words = re.findall(r"`([^`]+)`", re.sub(r"```.*?```", "", page, flags=re.DOTALL))
    named = set(re.findall(r"[A-Za-z_]+", " ".join(words)))
    wanted = {kind.__name__ for kind in (*get_args(Event), *get_args(Action))}
    wanted |= {reply.name for reply in Reply}
    wanted |= {field.name for field in dataclasses.fields(DriverSpec)} - {"id", "summary", "create"}
    wanted |= {name for name in vars(Driver) if not name.startswith("_")}
    assert wanted <= named


# ── packages that will not do ────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("version", [0, 2])
def test_a_driver_for_another_interface_is_refused_with_the_reason(altered, version):
    environment = altered("clamp_packets/__init__.py", "api_version=1", f"api_version={version}")
    drivers, complaints = drivers_in(environment)
    assert "clamp-packets" not in drivers
    assert {"scpi-meter", "ascii-meter"} <= set(drivers)
    assert "benchtally-clamp-packets" in complaints
    assert f"is made for driver interface {version}, this Benchtally has 1" in complaints
    assert complaints.count("\n") == 1


@pytest.mark.parametrize(
    ("file", "old", "new", "reason"),
    [
        (
            "clamp_packets/driver.py",
            "_SILENCE = 0.5",
            "import a_module_that_nobody_has",
            "a_module_that_nobody_has",
        ),
        ("clamp_packets/packets.py", "START = 0x5A", "START = 0x5A +", "invalid syntax"),
        (
            "clamp_packets/driver.py",
            "_SILENCE = 0.5",
            "raise SystemError('on import')",
            "on import",
        ),
        ("clamp_packets/driver.py", "_SILENCE = 0.5", "raise SystemExit('by exit')", "by exit"),
        ("clamp_packets/__init__.py", "@hookimpl\n", "", "announces no driver"),
        ("clamp_packets/__init__.py", "options=ClampOptions", "options=dict", "dataclass"),
    ],
)
def test_a_broken_package_is_kept_apart(altered, file, old, new, reason):
    drivers, complaints = drivers_in(altered(file, old, new))
    assert "clamp-packets" not in drivers
    assert {"scpi-meter", "ascii-meter"} <= set(drivers)
    assert "benchtally-clamp-packets" in complaints
    assert reason in complaints
    assert "Traceback" not in complaints


def test_other_instruments_go_on_while_a_refused_driver_is_installed(altered, clamp, tmp_path):
    """The daemon starts, says what it did not load, and captures with the built-in drivers."""
    environment = altered("clamp_packets/__init__.py", "api_version=1", "api_version=2")
    config, log = configure(tmp_path, clamp.port), tmp_path / "daemon.log"
    config.write_text(
        config.read_text()
        .replace('"clamp-packets"', '"ascii-meter"')
        .partition("[instruments.fan-clamp.options")[0]
        + '[instruments.fan-clamp.options]\nprofile = "resistance-lines"\n'
    )
    with running(environment, config, log):
        wait_until(lambda: '"state": "running"' in log.read_text(), "the instrument runs")
    assert '"driver.not_loaded"' in log.read_text()
    assert "interface 2" in log.read_text()


def test_an_instrument_whose_driver_was_refused_is_a_fault_that_says_so(altered, tmp_path):
    environment = altered("clamp_packets/__init__.py", "api_version=1", "api_version=2")
    done = benchtally(environment, "check", "--config", configure(tmp_path, 1))
    assert done.returncode == 2
    assert "clamp-packets of benchtally-clamp-packets could not be loaded" in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_driver_that_raises_while_running_fails_its_instrument_only(altered, clamp, tmp_path):
    environment = altered(
        "clamp_packets/driver.py", "        if data:\n", "        if data:\n            {}['bug']\n"
    )
    config, log = configure(tmp_path, clamp.port), tmp_path / "daemon.log"
    with running(environment, config, log):
        wait_until(lambda: '"state": "failed"' in log.read_text(), "the instrument fails")
    assert "this is a bug in the driver" in log.read_text()
    assert "Traceback" not in log.read_text()


def test_a_driver_that_wants_to_start_something_is_held_back(altered, clamp, tmp_path):
    """What a stranger's driver does not declare is not sent either: the session holds it back."""
    environment = altered(
        "clamp_packets/driver.py",
        "        return ()\n",
        '        from capture.driver import Send\n        return [Send(b"INIT\\n")]\n',
    )
    config, log = configure(tmp_path, clamp.port), tmp_path / "daemon.log"
    with running(environment, config, log):
        wait_until(lambda: '"state": "failed"' in log.read_text(), "the instrument fails")
    assert "message 'INIT' is not on this instrument's list and was not sent" in log.read_text()
