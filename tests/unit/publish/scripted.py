"""A small broker that does what a test tells it, byte by byte, and a pump to talk to it.

Packet layouts: MQTT 3.1.1 §2.2, §3.1-3.4 and MQTT 5.0 §2.2, §3.1-3.4, §3.8-3.9 (OASIS standards).
"""

import contextlib
import json
import os
import select
import socket
import threading
import time
from dataclasses import dataclass, field

import pytest

from capture.clock import SystemClock
from capture.journal import JournalReader, Store
from capture.publish.letters import Letters
from capture.publish.making import make_pump
from capture.publish.report import Report
from capture.publish.settings import PublisherSettings

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK, PINGREQ, DISCONNECT = 1, 2, 3, 4, 8, 9, 12, 14
# MQTT 5.0 §2.2.2.2
RECEIVE_MAXIMUM, MAXIMUM_QOS, RETAIN_AVAILABLE, MAXIMUM_PACKET_SIZE = 0x21, 0x24, 0x25, 0x27
CONTENT_TYPE, USER_PROPERTY, PAYLOAD_FORMAT = 0x03, 0x26, 0x01
# MQTT 5.0 §2.4
QUOTA_EXCEEDED, NO_SUBSCRIBERS, NOT_AUTHORISED, UNSUPPORTED_VERSION = 0x97, 0x10, 0x87, 0x84
UNSPECIFIED, TOPIC_INVALID, PACKET_TOO_LARGE, PAYLOAD_INVALID = 0x80, 0x90, 0x95, 0x99


class HungUp(Exception):
    """The client, or the script, ended the connection."""


@dataclass
class Published:
    """One PUBLISH as received."""

    topic: str
    payload: bytes
    mid: int
    retained: bool
    duplicate: bool
    properties: list = field(default_factory=list)

    @property
    def state(self):
        """What a bench's state says; None for other messages."""
        return json.loads(self.payload) if self.topic.endswith("bench-1/state") else None

    @property
    def n(self):
        """Sequence number of the reading in it; None for a state."""
        return json.loads(self.payload).get("sequence")


class Session:
    """The broker's end of one connection, for a script to use."""

    def __init__(self, connection):
        self.connection = connection
        self.level = 0
        self.client_id = ""
        self.will = None
        self.clean = False
        self.connect_properties = []
        self.subscribed = threading.Event()
        self.subscriptions = []

    def _exactly(self, count, seconds):
        data = b""
        end = time.monotonic() + seconds
        while len(data) < count:
            ready, _, _ = select.select([self.connection], [], [], max(0, end - time.monotonic()))
            if not ready:
                raise TimeoutError
            part = self.connection.recv(count - len(data))
            if not part:
                raise HungUp
            data += part
        return data

    def packet(self, seconds=5.0):
        """Read one packet; give its first byte and its body."""
        first = self._exactly(1, seconds)[0]
        length, shift = 0, 0
        while True:
            byte = self._exactly(1, seconds)[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                return first, self._exactly(length, seconds)

    def send(self, kind, body, flags=0):
        length = len(body).to_bytes(1, "big") if len(body) < 128 else _varint(len(body))
        self.connection.sendall(bytes([kind << 4 | flags]) + length + body)

    def take_connect(self):
        """Take the CONNECT; whoever says nothing or something else is hung up on.

        It is somebody else: a link of another test, whose own far end had this port before. A client
        of ours that did so would never be let in, and its test would fail.
        """
        try:
            first, body = self.packet(2.0)
        except TimeoutError:
            raise HungUp from None
        if first >> 4 != CONNECT:
            raise HungUp
        assert body[:6] == b"\x00\x04MQTT"
        self.level, flags = body[6], body[7]
        self.clean = bool(flags & 2)
        rest = body[10:]
        if self.level == 5:
            self.connect_properties, rest = read_properties(rest)
        size = int.from_bytes(rest[:2], "big")
        self.client_id, rest = rest[2 : 2 + size].decode(), rest[2 + size :]
        if flags & 4:
            if self.level == 5:
                rest = rest[1 + rest[0] :]
            size = int.from_bytes(rest[:2], "big")
            topic, rest = rest[2 : 2 + size].decode(), rest[2 + size :]
            size = int.from_bytes(rest[:2], "big")
            will = rest[2 : 2 + size]
            said = json.loads(will) if will.startswith(b"{") else will
            self.will = (topic, said, flags >> 3 & 3, bool(flags & 0x20))

    def accept(self, *, code=0, properties=b""):
        body = bytes([0, code])
        self.send(
            CONNACK, body + (bytes([len(properties)]) + properties if self.level == 5 else b"")
        )

    def published(self, seconds=5.0):
        """Give the next PUBLISH."""
        while True:
            first, body = self.packet(seconds)
            if first >> 4 == PINGREQ:
                self.connection.sendall(b"\xd0\x00")
                continue
            if first >> 4 == DISCONNECT:
                raise HungUp
            if first >> 4 == SUBSCRIBE:
                size = int.from_bytes(body[3:5] if self.level == 5 else body[2:4], "big")
                at = 5 if self.level == 5 else 4
                self.subscriptions.append((body[at : at + size].decode(), body[at + size] & 3))
                self.send(SUBACK, body[:2] + (b"\0" if self.level == 5 else b"") + b"\1")
                self.subscribed.set()
                continue
            if first >> 4 == PUBACK:
                continue
            assert first >> 4 == PUBLISH
            size = int.from_bytes(body[:2], "big")
            topic, rest = body[2 : 2 + size].decode(), body[2 + size :]
            if topic.startswith("spBv1.0/") and "/NDEATH/" not in topic:
                assert first >> 1 & 3 == 0, "births and data are published at QoS 0"
                rest = b"\0\0" + rest
            else:
                assert first >> 1 & 3 == 1, "everything else is published at QoS 1"
            mid, payload, properties = int.from_bytes(rest[:2], "big"), rest[2:], []
            if self.level == 5:
                properties, payload = read_properties(payload)
            return Published(topic, payload, mid, bool(first & 1), bool(first & 8), properties)

    def acknowledge(self, message, code=0):
        body = message.mid.to_bytes(2, "big")
        self.send(PUBACK, body + (bytes([code]) if code else b""))

    def until_goodbye(self, seen, *, code=0, judge=None):
        """Answer everything until the client says goodbye; ``judge`` gives the code for each."""
        with contextlib.suppress(HungUp):
            while True:
                message = self.published()
                seen.append(message)
                self.acknowledge(message, code if judge is None else judge(message))

    def disconnect(self, code):
        """Say DISCONNECT with a reason, and hang up (MQTT 5.0 §3.14).

        What still comes is read, else the system resets the connection and the reason is lost.
        """
        self.send(DISCONNECT, bytes([code, 0]))
        self.connection.shutdown(socket.SHUT_WR)
        self.connection.settimeout(5)
        while self.connection.recv(65536):
            pass
        raise HungUp

    def give(self, topic, payload, *, retained=False, mid=1):
        """Publish something to the client at QoS 1."""
        encoded = topic.encode()
        body = len(encoded).to_bytes(2, "big") + encoded + mid.to_bytes(2, "big")
        body += b"\0" if self.level == 5 else b""
        self.send(PUBLISH, body + payload, flags=2 | retained)

    def nothing_more_comes(self, seconds=0.3):
        with pytest.raises(TimeoutError):
            self.published(seconds)


def _varint(number):
    made = bytearray()
    while True:
        number, digit = divmod(number, 128)
        made.append(digit | (0x80 if number else 0))
        if not number:
            return bytes(made)


def read_properties(data):
    """Read properties (MQTT 5.0 §2.2.2) written before a payload; give them and what follows."""
    length, shift, at = 0, 0, 0
    while True:
        length |= (data[at] & 0x7F) << shift
        shift += 7
        at += 1
        if not data[at - 1] & 0x80:
            break
    end, found = at + length, []

    def text():
        nonlocal at
        size = int.from_bytes(data[at : at + 2], "big")
        at += 2 + size
        return data[at - size : at].decode()

    sizes = {PAYLOAD_FORMAT: 1, RECEIVE_MAXIMUM: 2, MAXIMUM_PACKET_SIZE: 4}
    while at < end:
        kind = data[at]
        at += 1
        if kind == USER_PROPERTY:
            found.append((kind, (text(), text())))
        elif kind == CONTENT_TYPE:
            found.append((kind, text()))
        else:
            at += sizes[kind]
            found.append((kind, int.from_bytes(data[at - sizes[kind] : at], "big")))
    assert at == end
    return found, data[end:]


class Broker:
    """Runs one script for each connection, in order; the last one again and again."""

    def __init__(self, *scripts):
        self.scripts = list(scripts)
        self.failures = []
        self.sessions = []
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.ended = threading.Event()
        self.thread = threading.Thread(target=self._serve, name="fake-broker")
        self.thread.start()

    def _serve(self):
        while not self.ended.is_set():
            ready, _, _ = select.select([self.listener], [], [], 0.1)
            if not ready:
                continue
            connection, _ = self.listener.accept()
            with connection:
                session = Session(connection)
                self.sessions.append(session)
                script = self.scripts.pop(0) if len(self.scripts) > 1 else self.scripts[0]
                try:
                    script(session)
                except (HungUp, ConnectionError):
                    pass
                except BaseException as error:  # noqa: BLE001 - told to the test
                    self.failures.append(error)

    def end(self):
        self.ended.set()
        self.thread.join(10)
        self.listener.close()
        if self.failures:
            raise self.failures[0]


def make_settings(folder, port, **options):
    """Make settings of a publisher of this folder's journal."""
    ordinary = {
        "name": "broker",
        "journal": folder / "bench.journal",
        "cursor": folder / "cursor",
        "letters": folder / "letters",
        "site": "sawmill",
        "bench": "bench-1",
        "host": "127.0.0.1",
        "port": port,
        "version": "auto",
        "client_id": "benchtally-test",
        "username": "",
        "password": "",
        "password_file": None,
        "tls": None,
        "keepalive_s": 20,
        "window": 20,
        "max_rate": 0,
        "cloudevents": True,
        "dead_letters": 100,
        "retry_s": 0.3,
        "drain_s": 3.0,
    }
    return PublisherSettings(**ordinary | options)


class Setup:
    """A journal, a pump in a thread, and its reports."""

    def __init__(self, folder, port, **options):
        self.path = folder / "bench.journal"
        self.store = Store(self.path)
        self.read_end, self.write_end = os.pipe()
        self.reports = []
        settings = make_settings(folder, port, **options)
        self.settings = settings
        self.pump = make_pump(settings, self.read_end, SystemClock(), self.reports.append)
        self.thread = threading.Thread(target=self.pump.run, name="pump")

    def delivered(self):
        reader = JournalReader(self.path)
        try:
            content = json.loads(self.settings.cursor.read_text())
            assert content["journal"] == reader.journal_id
            return content["delivered"]
        except FileNotFoundError:
            return 0
        finally:
            reader.close()

    def letters(self):
        """The letters on the list, oldest first."""
        letters = Letters(self.settings.letters)
        try:
            return letters.all(dropped=True)
        finally:
            letters.close()

    def report(self):
        return self.reports[-1] if self.reports else Report()

    def wake(self):
        os.write(self.write_end, b"\n")

    def stop(self):
        if self.write_end is not None:
            os.close(self.write_end)
            self.write_end = None
            if self.thread.ident is not None:
                self.thread.join(15)
            self.store.close()
            os.close(self.read_end)


def numbers(messages):
    return [message.n for message in messages if "/reading/" in message.topic]
