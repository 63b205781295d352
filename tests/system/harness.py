"""Parts of a bench, for the system tests and the measurements: everything but amqtt is a program.

Nothing here reads the journal or the broker through the code under test: the journal is opened with
plain sqlite3, and the subscriber is paho's client used by hand. One file, since every system test
puts its bench together from it.
"""

import contextlib
import hashlib
import itertools
import json
import os
import select
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
from own_ports import free_port
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

REPOSITORY = Path(__file__).resolve().parents[2]
SITE, BENCH = "sawmill", "bench-1"
ROOT = f"benchtally/v1/{SITE}/{BENCH}"
PYTHON = (sys.executable, "-P")
LONG = 60.0
"""Seconds until a test gives up; nothing waits that long when it works.

On a machine with a quarter of a developer's, three such tests at once, a daemon with its instruments
is up after 5 to 19 s: this is some times that.
"""

_NO_ENTRIES = ("/state", "/resend", "/resent")

_NEVER = threading.Event()


def wait_until(condition, what, seconds=LONG):
    """Give the first true value of `condition()`; fail when there is none in time."""
    end = time.monotonic() + seconds
    while not (found := condition()):
        if time.monotonic() >= end:
            raise AssertionError(f"not within {seconds:g} s: {what}")
        _NEVER.wait(0.02)
    return found


# ── children ─────────────────────────────────────────────────────────────────────────────────────


class Child:
    """A program in a session of its own; what it says goes to a file."""

    def __init__(
        self, arguments, output, *, environment=None, stdin=subprocess.DEVNULL, folder=None,
        process=None,
    ):  # fmt: skip
        """Start it, or take charge of one that was started."""
        self.output = output
        self.process = process or self._start(arguments, environment, stdin, folder)
        self.pid = self.process.pid

    def _start(self, arguments, environment, stdin, folder):
        with self.output.open("ab") as sink:
            return subprocess.Popen(
                [str(each) for each in arguments],
                stdin=stdin,
                stdout=sink,
                stderr=sink,
                cwd=folder,
                env=None if environment is None else {**os.environ, **environment},
                start_new_session=True,
            )

    def said(self):
        return self.output.read_text("utf-8", "replace")

    def running(self):
        return self.process.poll() is None

    def signal(self, number):
        os.kill(self.pid, number)

    def signal_all(self, number):
        """Signal the whole session, as a terminal's Ctrl-C does."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.pid, number)

    def wait(self, seconds=LONG):
        """Give the exit code."""
        return self.process.wait(seconds)

    def stop(self, seconds=LONG):
        """Ask politely; give the exit code."""
        if self.running():
            self.process.terminate()
        return self.wait(seconds)

    def end(self):
        """Leave nothing behind: the program and whatever it started."""
        self.signal_all(signal.SIGKILL)
        self.wait()


class Daemon(Child):
    """`benchtally run`."""

    def __init__(self, config, output, program=("-m", "capture.cli"), **more):
        super().__init__([*PYTHON, *program, "run", "--config", config], output, **more)

    def events(self, name):
        """The log's events of this name, where the log is JSON."""
        found = []
        for line in self.said().splitlines():
            with contextlib.suppress(ValueError):
                event = json.loads(line)
                if isinstance(event, dict) and event.get("event") == name:
                    found.append(event)
        return found

    def wait_for(self, name, count=1, seconds=LONG):
        """Give the log's `count`-th event of this name."""

        def happened():
            if not self.running() and len(self.events(name)) < count:
                raise AssertionError(f"the daemon ended with {self.wait()}: {self.said()[-2000:]}")
            return len(self.events(name)) >= count

        wait_until(happened, f"{name} in the log: {self.said()[-2000:]}", seconds)
        return self.events(name)[count - 1]

    def publisher(self):
        """Process id of the newest publisher."""
        self.wait_for("publisher.started")
        return self.events("publisher.started")[-1]["pid"]


class Simulator:
    """`python -P -m simulators`; `ready` is its line of JSON."""

    def __init__(self, arguments, output):
        arguments = _with_own_port(list(map(str, arguments)))
        with output.open("ab") as sink:
            self.process = subprocess.Popen(
                [*PYTHON, "-m", "simulators", *arguments, "--stop-at-eof"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=sink,
                start_new_session=True,
            )
        self.output = output
        self._lines = bytearray()
        self.ready = json.loads(self._line())

    def hand(self, command):
        """Do something at the bench; give what the simulator says it did."""
        self.process.stdin.write(command.encode() + b"\n")
        self.process.stdin.flush()
        answer = self._line()
        assert answer.startswith("ok: "), answer
        return answer[4:]

    def end(self):
        """End it so that it takes the link to its line away.

        A link that stays names a line that the system gives to the next who asks, and a daemon that
        still tries to reach the one that is gone takes that: another test's instrument.
        """
        self.process.send_signal(signal.SIGCONT)
        self.process.terminate()
        try:
            self.process.communicate(timeout=LONG)
        finally:
            self.process.kill()
            self.process.wait(LONG)

    def _line(self):
        while b"\n" not in self._lines:
            ready, _, _ = select.select([self.process.stdout], [], [], LONG)
            assert ready, "the simulator says nothing"
            data = os.read(self.process.stdout.fileno(), 65536)
            assert data, f"the simulator ended: {self.output.read_text('utf-8')}"
            self._lines += data
        line, _, rest = self._lines.partition(b"\n")
        self._lines = bytearray(rest)
        return line.decode()


def _with_own_port(arguments):
    """Let it listen at a port of ours where it may choose one.

    One that the system picked it may give to somebody else while the instrument is unplugged.
    """
    for place, (name, value) in enumerate(itertools.pairwise(arguments), start=1):
        if (name, value) == ("--tcp", "0"):
            arguments[place] = str(free_port())
    return arguments


# ── brokers ──────────────────────────────────────────────────────────────────────────────────────

# With these the broker itself forgets nothing that it acknowledged, as long as it is stopped by
# SIGTERM (mosquitto.conf(5): persistence, max_queued_messages).
_MOSQUITTO = """\
listener {port} 127.0.0.1
allow_anonymous true
persistence true
persistence_location {folder}/
max_queued_messages 0
max_inflight_messages 0
set_tcp_nodelay true
"""


def mosquitto_program():
    for folder in (*os.environ.get("PATH", "").split(":"), "/usr/sbin", "/usr/local/sbin"):
        if os.access(Path(folder) / "mosquitto", os.X_OK):
            return Path(folder) / "mosquitto"
    raise AssertionError("these tests need a real mosquitto; `make test` installs Debian's")


class Mosquitto:
    """Debian's mosquitto on one port, stopped by SIGTERM and started again at will."""

    def __init__(self, folder, port=None, more=""):
        folder.mkdir()
        self.port = port or free_port()
        self.folder = folder
        self._folder = folder
        self._config = folder / "mosquitto.conf"
        text = _MOSQUITTO.format(port=self.port, folder=folder) + more
        if os.geteuid() == 0:
            text += "user root\n"  # else it gives up root and cannot write into the test's folder
        self._config.write_text(text, "utf-8")
        self.child = None
        self.start()

    def start(self):
        program = mosquitto_program()
        log = self._folder / "mosquitto.log"
        before = len(log.read_text("utf-8", "replace")) if log.exists() else 0
        self.child = Child([program, "-c", self._config], log)
        wait_until(self._answers, "mosquitto listens")
        # It listens before it can be stopped in good order.
        wait_until(lambda: " running" in self.said()[before:], "mosquitto runs")

    def stop(self):
        """Stop it so that it writes down what it keeps."""
        assert self.child.stop() == 0, self.child.said()

    def reload(self):
        """Have it read its access rules again (mosquitto(8): SIGHUP)."""
        self.child.signal(signal.SIGHUP)

    def said(self):
        return self.child.said()

    def end(self):
        self.child.end()

    def _answers(self):
        assert self.child.running(), self.child.said()
        try:
            socket.create_connection(("127.0.0.1", self.port), 0.5).close()
        except OSError:
            return False
        return True


# ── the subscriber ───────────────────────────────────────────────────────────────────────────────


@dataclass(frozen=True, slots=True)
class Message:
    """One message as the broker gave it."""

    topic: str
    payload: bytes
    retained: bool
    at: float = field(compare=False)
    properties: object = field(compare=False, default=None)

    def json(self):
        return json.loads(self.payload)


class Subscriber:
    """A client of its own with a session that the broker keeps; records everything."""

    def __init__(self, port, *, client_id="plant", version=5, topic=f"{ROOT}/#"):
        self.messages = []
        self._changed = threading.Condition()
        self._topic = topic
        self._subscribed = threading.Event()
        properties = None
        if version == 5:
            self._client = mqtt.Client(
                mqtt.CallbackAPIVersion.VERSION2, client_id, protocol=mqtt.MQTTv5
            )
            properties = Properties(PacketTypes.CONNECT)
            properties.SessionExpiryInterval = 3600
            start = {"clean_start": False, "properties": properties}
        else:
            self._client = mqtt.Client(
                mqtt.CallbackAPIVersion.VERSION2,
                client_id,
                clean_session=False,
                protocol=mqtt.MQTTv311,
            )
            start = {}
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda client, *_: client.subscribe(self._topic, qos=1)
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", port, 20, **start)
        self._client.loop_start()
        assert self._subscribed.wait(LONG), "the broker did not take the subscription"

    def _take(self, _client, _data, message):
        taken = Message(
            message.topic, message.payload, message.retain, time.monotonic(), message.properties
        )
        with self._changed:
            self.messages.append(taken)
            self._changed.notify_all()

    def entries(self):
        """Messages that are entries of the journal, not states."""
        with self._changed:
            return [each for each in self.messages if not each.topic.endswith(_NO_ENTRIES)]

    def count(self):
        with self._changed:
            return len(self.messages)

    def wait_for(self, fits, what, *, since=0, seconds=LONG):
        """Give the first message from number `since` on that fits."""
        end = time.monotonic() + seconds
        with self._changed:
            while True:
                for message in self.messages[since:]:
                    if fits(message):
                        return message
                since = max(since, len(self.messages))
                left = end - time.monotonic()
                assert left > 0, f"not within {seconds:g} s at the subscriber: {what}"
                self._changed.wait(left)

    def wait_for_ids(self, ids, seconds=LONG):
        """Wait until a message with each of these ids has come."""
        missing = set(ids)
        seen = 0
        end = time.monotonic() + seconds
        with self._changed:
            while True:
                for message in self.messages[seen:]:
                    if not message.topic.endswith(_NO_ENTRIES):
                        missing.discard(message.json()["id"])
                seen = len(self.messages)
                if not missing:
                    return
                left = end - time.monotonic()
                assert left > 0, f"{len(missing)} of {len(set(ids))} did not arrive in time"
                self._changed.wait(left)

    def state(self, topic):
        """Give the newest state on this topic below the bench's root."""
        with self._changed:
            found = [each for each in self.messages if each.topic == f"{ROOT}/{topic}"]
        return found[-1].json() if found else None

    def publish(self, topic, payload):
        """Publish below the bench's root."""
        self._client.publish(f"{ROOT}/{topic}", payload, qos=1)

    def end(self):
        self._client.disconnect()
        self._client.loop_stop()


def is_reading(instrument):
    return lambda message: message.topic.startswith(f"{ROOT}/reading/{instrument}/")


def is_state(topic, state):
    return lambda message: message.topic == f"{ROOT}/{topic}" and message.json()["state"] == state


# ── the journal, read without the code under test ────────────────────────────────────────────────


@dataclass(frozen=True, slots=True)
class Entry:
    """One row of the journal."""

    n: int
    id: str
    kind: str
    instrument: str
    subject: str
    sequence: int
    body: bytes
    hash: bytes

    def json(self):
        return json.loads(self.body)


def journal_entries(path, after=0):
    """Read all entries in order; none where there is no journal yet."""
    with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
        try:
            rows = connection.execute(
                "SELECT n, id, kind, instrument, subject, sequence, body, hash FROM entries "
                "WHERE n > ? ORDER BY n",
                (after,),
            ).fetchall()
        except sqlite3.OperationalError as error:
            if "no such table" in str(error):
                return []
            raise
    return [Entry(n, _uuid(id_), *rest) for n, id_, *rest in rows]


def journal_length(path):
    """The number of the newest entry; 0 where there is none."""
    try:
        connection = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
    except sqlite3.OperationalError:
        return 0
    with contextlib.closing(connection):
        try:
            return connection.execute("SELECT max(n) FROM entries").fetchone()[0] or 0
        except sqlite3.OperationalError:
            return 0


def _uuid(data):
    text = data.hex()
    return "-".join((text[:8], text[8:12], text[12:16], text[16:20], text[20:]))


@dataclass(frozen=True, slots=True)
class Verdict:
    """What comparing a journal with a subscriber gave."""

    committed: int
    arrived: int
    gaps: int
    duplicates: int
    missing: int
    foreign: int
    in_order: bool
    same_bytes: bool


def compare(entries, messages):
    """Compare what was committed with what arrived; `messages` without states."""
    by_id = {each.id: each for each in entries}
    first_at, count = {}, Counter()
    same_bytes = True
    for place, message in enumerate(messages):
        id_ = message.json()["id"]
        first_at.setdefault(id_, place)
        count[id_] += 1
        if id_ in by_id and by_id[id_].body != message.payload:
            same_bytes = False
    places = [first_at[each.id] for each in entries if each.id in first_at]
    return Verdict(
        committed=len(entries),
        arrived=len(count),
        gaps=sequence_gaps(entries),
        duplicates=sum(count.values()) - len(count),
        missing=len(set(by_id) - set(count)),
        foreign=len(set(count) - set(by_id)),
        in_order=places == sorted(places),
        same_bytes=same_bytes,
    )


def sequence_gaps(entries):
    """Count the places where an instrument's sequence numbers are not 1, 2, 3 …"""
    last = Counter()
    gaps = 0
    for entry in entries:
        if entry.sequence is not None:
            gaps += entry.sequence != last[entry.instrument] + 1
            last[entry.instrument] = entry.sequence
    return gaps


def chain_holds(entries):
    """Tell whether each hash is SHA-256 over the hash before it and the entry's own bytes."""
    head = bytes(32)
    for entry in entries:
        head = hashlib.sha256(head + entry.body).digest()
        if head != entry.hash:
            return False
    return True
