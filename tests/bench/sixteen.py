"""Sixteen simulated instruments at once: what the daemon costs, and what it loses.

    python -P tests/bench/sixteen.py [--minutes 10]

Eight counters (numbered lines, so that every gap shows) on pseudo-terminals and TCP, three SCPI
resistance meters, two LCR bridges and three talk-only meters run in one process; `benchtally run`
captures them and delivers to a real mosquitto. CPU and memory of the daemon and of its publisher
are sampled over a while at the start and at the end. Exit 0 when no counted reading was lost.
"""

import argparse
import contextlib
import itertools
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from simulators import catalogue
from simulators.faults import Damaged
from simulators.ports import PseudoTerminal, TcpServer
from simulators.serve import Station, serve_forever

_COUNTERS = 8
_COUNTER_RATE = 20
_SETTLE = 5.0  # seconds until everything is open and imports are over
_LONG = 60.0
_NEVER = threading.Event()
_TICKS = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True)
class Plan:
    """One instrument: what is simulated, on what, and how it is captured."""

    name: str
    kind: str
    options: dict
    tcp: bool
    driver: str
    driver_options: dict
    lossless: bool = False


def plans():
    made = [
        Plan(
            f"counter-{n}",
            "counter",
            {"rate": str(_COUNTER_RATE)},
            n % 2 == 1,
            "ascii-meter",
            {"profile": "resistance-lines"},
            lossless=True,
        )
        for n in range(_COUNTERS)
    ]
    made += [
        Plan(f"ohm-{n}", "scpi-resistance", {}, n == 0, "scpi-meter", {"interval_s": 0.5})
        for n in range(3)
    ]
    made += [Plan(f"lcr-{n}", "scpi-lcr", {}, n == 0, "scpi-lcr", {}) for n in range(2)]
    made += [
        Plan(
            f"insulation-{n}",
            "talk-only",
            {"rate": "2", "seed": str(n)},
            n == 0,
            "ascii-meter",
            {"profile": "insulation-lines"},
        )
        for n in range(3)
    ]
    return made


# ── the simulators' process ──────────────────────────────────────────────────────────────────────


def serve(folder):
    stations = []
    for plan in plans():
        instrument = Damaged(catalogue.make(plan.kind, plan.options), [], 1)
        port = TcpServer(0) if plan.tcp else PseudoTerminal(folder / plan.name)
        stations.append(Station(plan.kind, instrument, port, lossless=plan.lossless))
    serve_forever(stations, hand=sys.stdin.fileno(), answers=sys.stdout, stop_at_eof=True)


class Simulators:
    def __init__(self, folder):
        self._process = subprocess.Popen(
            [sys.executable, "-P", __file__, "--serve", folder],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.places = json.loads(self._process.stdout.readline())

    def hand(self, number, command):
        self._process.stdin.write(f"{number} {command}\n")
        self._process.stdin.flush()
        answer = self._process.stdout.readline().strip()
        assert answer.startswith("ok: "), answer
        return answer[4:]

    def end(self):
        self._process.kill()
        self._process.communicate()


# ── broker, configuration, daemon ────────────────────────────────────────────────────────────────


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def start_broker(folder, port):
    program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    assert program, "this measurement needs mosquitto; `make brokers` installs it"
    config = folder / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    with (folder / "mosquitto.log").open("wb") as sink:
        return subprocess.Popen([program, "-c", config], stdout=sink, stderr=sink)


def write_config(folder, broker_port, places):
    def section(values):
        return "".join(f"{key} = {json.dumps(value)}\n" for key, value in values.items())

    text = (
        f'site = "sawmill"\nbench = "bench-1"\n[journal]\npath = "bench.journal"\n'
        f'[broker]\nport = {broker_port}\n[log]\nform = "json"\n'
    )
    for plan, place in zip(plans(), places, strict=True):
        if place["tcp"]:
            host, _, port = place["tcp"].rpartition(":")
            link = {"kind": "tcp", "host": host, "port": int(port)}
        else:
            link = {"kind": "serial", "port": place["link"]}
        text += (
            f'[instruments.{plan.name}]\ndriver = "{plan.driver}"\n'
            f"[instruments.{plan.name}.link]\n{section(link)}"
            f"[instruments.{plan.name}.options]\n{section(plan.driver_options)}"
        )
    path = folder / "benchtally.toml"
    path.write_text(text)
    return path


def events(log, name):
    found = []
    for line in log.read_text().splitlines():
        with contextlib.suppress(ValueError):
            event = json.loads(line)
            if event.get("event") == name:
                found.append(event)
    return found


def wait_until(condition, what, seconds=_LONG):
    end = time.monotonic() + seconds
    while not (found := condition()):
        if time.monotonic() > end:
            raise SystemExit(f"not within {seconds:g} s: {what}")
        _NEVER.wait(0.05)
    return found


# ── sampling ─────────────────────────────────────────────────────────────────────────────────────


@dataclass(frozen=True)
class Sample:
    """What one process cost over a while.

    cpu: percent of one processor. rss: KiB at the end of it. threads, files: counted then.
    """

    cpu: float
    rss: int
    threads: int
    files: int


def cpu_seconds(pid):
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _TICKS


def sample(pids, seconds):
    before, began = {name: cpu_seconds(pid) for name, pid in pids.items()}, time.monotonic()
    _NEVER.wait(seconds)
    took = time.monotonic() - began
    found = {}
    for name, pid in pids.items():
        status = dict(
            line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines()
        )
        found[name] = Sample(
            cpu=100 * (cpu_seconds(pid) - before[name]) / took,
            rss=int(status["VmRSS"].split()[0]),
            threads=int(status["Threads"]),
            files=len(list(Path(f"/proc/{pid}/fd").iterdir())),
        )
    return found


# ── what was lost ────────────────────────────────────────────────────────────────────────────────


def numbers(journal, instrument):
    """Give the numbers of a counter's readings, in the order they were stored."""
    found = []
    with contextlib.closing(sqlite3.connect(f"file:{journal}?mode=ro", uri=True)) as database:
        for row in database.execute("SELECT * FROM entries ORDER BY n"):
            body = next(value for value in row if isinstance(value, bytes) and value[:1] == b"{")
            entry = json.loads(body)
            if entry.get("instrument") == instrument and "quantity" in entry:
                found.append(int(entry["digits"]))
    return found


def count_entries(journal):
    with contextlib.closing(sqlite3.connect(f"file:{journal}?mode=ro", uri=True)) as database:
        return database.execute("SELECT count(*) FROM entries").fetchone()[0]


def losses(journal, simulators):
    """Give (sent, stored, lost) of each counter; what came before it was opened is not counted."""
    found = {}
    for number, plan in enumerate(plans()):
        if plan.kind == "counter":
            sent = int(simulators.hand(number, "count"))
            stored = numbers(journal, plan.name)
            expected = list(range(stored[0], sent + 1)) if stored else [0] * sent
            out_of_order = sum(a >= b for a, b in itertools.pairwise(stored))
            found[plan.name] = (
                sent,
                len(stored),
                len(set(expected) - set(stored)) + out_of_order,
            )
    return found


# ── the run ──────────────────────────────────────────────────────────────────────────────────────


def run(folder, minutes):
    window = min(30.0, minutes * 60 / 4)
    with contextlib.ExitStack() as stack:
        simulators = Simulators(folder)
        stack.callback(simulators.end)
        broker_port = free_port()
        broker = start_broker(folder, broker_port)
        stack.callback(lambda: (broker.terminate(), broker.wait()))
        config = write_config(folder, broker_port, simulators.places)
        log = folder / "daemon.log"
        with log.open("wb") as sink:
            daemon = subprocess.Popen(
                [sys.executable, "-P", "-m", "capture.cli", "run", "--config", config],
                stdout=sink,
                stderr=sink,
            )
        stack.callback(lambda: daemon.poll() is None and daemon.kill())
        began = time.monotonic()

        def all_run():
            states = {e["instrument"]: e["state"] for e in events(log, "instrument.state")}
            return sum(state == "running" for state in states.values()) == len(plans())

        wait_until(all_run, f"all instruments run; see {log}")
        publisher = wait_until(lambda: events(log, "publisher.started"), "the publisher")[-1]["pid"]
        pids = {"daemon": daemon.pid, "publisher": publisher}
        _NEVER.wait(_SETTLE)
        start = sample(pids, window)
        _NEVER.wait(max(0.0, minutes * 60 - (time.monotonic() - began) - window))
        end = sample(pids, window)
        for number, plan in enumerate(plans()):
            if plan.kind == "counter":
                simulators.hand(number, "stop")
        journal = folder / "bench.journal"
        sent = {
            plan.name: int(simulators.hand(number, "count"))
            for number, plan in enumerate(plans())
            if plan.kind == "counter"
        }

        def level():
            stored = {name: numbers(journal, name)[-1:] for name in sent}
            return all(stored[name] == [sent[name]] for name in sent)

        with contextlib.suppress(SystemExit):
            wait_until(level, "the counters are level", 10.0)
        lost = losses(journal, simulators)
        took = time.monotonic() - began
        daemon.send_signal(signal.SIGTERM)
        code = daemon.wait(_LONG)
        stopped = events(log, "daemon.stopped")
        waiting = [e for e in events(log, "instrument.state") if e["state"] == "waiting"]
        tell(start, end, lost, window)
        entries = count_entries(journal)
        delivered = stopped[-1]["delivered"] if stopped else "?"
        complaints = len(events(log, "instrument.malformed")) + len(
            events(log, "instrument.no_answer")
        )
        say("")
        say(f"ran {took:.0f} s, {len(plans())} instruments, {entries} entries", end=", ")
        say(f"{entries / took:.0f} a second, delivered {delivered}", end=", ")
        say(f"links lost {len(waiting)}, complaints {complaints}, exit {code}")
    return code == 0 and not any(missing for _, _, missing in lost.values())


def tell(start, end, lost, window):
    say(f"CPU in percent of one processor, over {window:.0f} s each; RSS in MiB")
    say(f"{'':<12}{'CPU start':>11}{'CPU end':>9}{'RSS start':>11}{'RSS end':>9}", end="")
    say(f"{'threads':>9}{'files':>8}")
    for name, a in start.items():
        b = end[name]
        say(
            f"{name:<12}{a.cpu:>11.1f}{b.cpu:>9.1f}{a.rss / 1024:>11.1f}{b.rss / 1024:>9.1f}",
            end="",
        )
        say(f"{f'{a.threads}→{b.threads}':>9}{f'{a.files}→{b.files}':>8}")
    say("")
    say(f"{'counter':<12}{'sent':>8}{'stored':>8}{'lost':>6}")
    for name, (sent, stored, missing) in lost.items():
        say(f"{name:<12}{sent:>8}{stored:>8}{missing:>6}")
    say("(sent counts from power-on; what was sent before the port was opened is not lost)")


def say(text, end="\n"):
    sys.stdout.write(text + end)
    sys.stdout.flush()


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--dir", type=Path, help="keep journal and logs here")
    parser.add_argument("--serve", type=Path, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.serve:
        serve(arguments.serve)
        return 0
    if arguments.dir:
        arguments.dir.mkdir(parents=True, exist_ok=True)
        return 0 if run(arguments.dir.resolve(), arguments.minutes) else 1
    with tempfile.TemporaryDirectory() as folder:
        return 0 if run(Path(folder), arguments.minutes) else 1


if __name__ == "__main__":
    sys.exit(main())
