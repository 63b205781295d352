"""Delivery against a small broker that does what a test tells it, byte by byte.

Packet layouts: MQTT 3.1.1 §2.2, §3.1-3.4 and MQTT 5.0 §2.2, §3.1-3.4 (OASIS standards).
"""

import contextlib
import json
import os
import select
import socket
import threading
import time
from dataclasses import dataclass

import pytest

from capture.clock import SystemClock
from capture.journal import JournalReader, Store
from capture.publish.pump import Pump
from capture.publish.settings import PublisherSettings

CONNECT, CONNACK, PUBLISH, PUBACK, PINGREQ, DISCONNECT = 1, 2, 3, 4, 12, 14
RECEIVE_MAXIMUM = 0x21  # MQTT 5.0 §2.2.2.2
QUOTA_EXCEEDED, NO_SUBSCRIBERS, NOT_AUTHORISED, UNSUPPORTED_VERSION = 0x97, 0x10, 0x87, 0x84


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
        self.waiting = []

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

    def send(self, kind, body):
        assert len(body) < 128
        self.connection.sendall(bytes([kind << 4, len(body)]) + body)

    def take_connect(self):
        first, body = self.packet()
        assert first >> 4 == CONNECT
        assert body[:6] == b"\x00\x04MQTT"
        self.level, flags = body[6], body[7]
        self.clean = bool(flags & 2)
        rest = body[10:]
        if self.level == 5:
            rest = rest[1 + rest[0] :]
        size = int.from_bytes(rest[:2], "big")
        self.client_id, rest = rest[2 : 2 + size].decode(), rest[2 + size :]
        if flags & 4:
            if self.level == 5:
                rest = rest[1 + rest[0] :]
            size = int.from_bytes(rest[:2], "big")
            topic, rest = rest[2 : 2 + size].decode(), rest[2 + size :]
            size = int.from_bytes(rest[:2], "big")
            self.will = (topic, json.loads(rest[2 : 2 + size]), flags >> 3 & 3, bool(flags & 0x20))

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
            assert first >> 4 == PUBLISH
            assert first >> 1 & 3 == 1, "everything is published at QoS 1"
            size = int.from_bytes(body[:2], "big")
            topic, rest = body[2 : 2 + size].decode(), body[2 + size :]
            mid, payload = int.from_bytes(rest[:2], "big"), rest[2:]
            if self.level == 5:
                payload = payload[1 + payload[0] :]
            return Published(topic, payload, mid, bool(first & 1), bool(first & 8))

    def acknowledge(self, message, code=0):
        body = message.mid.to_bytes(2, "big")
        self.send(PUBACK, body + (bytes([code]) if code else b""))

    def until_goodbye(self, seen, *, code=0):
        """Acknowledge everything until the client says goodbye."""
        with contextlib.suppress(HungUp):
            while True:
                message = self.published()
                seen.append(message)
                self.acknowledge(message, code)

    def nothing_more_comes(self, seconds=0.3):
        with pytest.raises(TimeoutError):
            self.published(seconds)


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


class Setup:
    """A journal, a pump in a thread, and its reports."""

    def __init__(self, folder, port, version="auto", window=20):
        self.path = folder / "bench.journal"
        self.store = Store(self.path)
        self.read_end, self.write_end = os.pipe()
        self.reports = []
        settings = PublisherSettings(
            journal=self.path,
            cursor=folder / "cursor",
            site="sawmill",
            bench="bench-1",
            host="127.0.0.1",
            port=port,
            version=version,
            client_id="benchtally-test",
            username="",
            password="",
            keepalive_s=20,
            window=window,
            drain_s=3.0,
        )
        self.settings = settings
        self.pump = Pump(settings, self.read_end, SystemClock(), self.reports.append)
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


@pytest.fixture
def setup(tmp_path):
    """Start a broker with scripts and a pump on a journal with so many readings."""
    made = []

    def make(*scripts, entries=(), **options):
        broker = Broker(*scripts)
        it = Setup(tmp_path, broker.port, **options)
        made.append((it, broker))
        it.broker = broker
        it.store.append(entries)
        it.thread.start()
        return it

    yield make
    for it, broker in made:
        it.stop()
        broker.end()


def numbers(messages):
    return [message.n for message in messages if "/reading/" in message.topic]


def test_everything_is_delivered_in_order_between_online_and_offline(setup, drafts, wait_until):
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(script, entries=drafts(50))
    wait_until(lambda: it.delivered() == 50)
    it.stop()
    assert numbers(seen) == list(range(1, 51))
    assert json.loads(seen[0].payload)["state"] == "online"
    assert json.loads(seen[-1].payload)["state"] == "offline"
    assert seen[0].retained
    assert seen[-1].retained
    assert not any(message.retained for message in seen[1:-1])
    session = it.broker.sessions[0]
    assert (session.level, session.client_id, session.clean) == (5, "benchtally-test", True)
    topic, will, qos, retained = session.will
    assert (topic, will["state"], qos, retained) == (
        "benchtally/v1/sawmill/bench-1/state",
        "offline",
        1,
        True,
    )


def test_the_published_bytes_are_the_stored_bytes(setup, drafts, wait_until):
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(script, entries=drafts(3))
    wait_until(lambda: it.delivered() == 3)
    reader = JournalReader(it.path)
    bodies = [row.body for row in reader.after(0, 10)]
    reader.close()
    assert [message.payload for message in seen if "/reading/" in message.topic] == bodies


@pytest.mark.parametrize(("maximum", "window", "most"), [(3, 20, 3), (1, 20, 1), (None, 5, 5)])
def test_no_more_is_in_flight_than_the_broker_and_we_allow(
    setup, drafts, wait_until, maximum, window, most
):
    """MQTT 5.0 §3.2.2.3.3: a client must not have more unacknowledged than Receive Maximum."""
    seen = []

    def script(session):
        session.take_connect()
        properties = b"" if maximum is None else bytes([RECEIVE_MAXIMUM, 0, maximum])
        session.accept(properties=properties)
        held = [session.published() for _ in range(most)]
        session.nothing_more_comes()
        while held:
            message = held.pop(0)
            seen.append(message)
            session.acknowledge(message)
            if len(seen) + len(held) < 13:  # the bench's state and twelve readings
                held.append(session.published())
        session.until_goodbye(seen)

    it = setup(script, entries=drafts(12), window=window)
    wait_until(lambda: it.delivered() == 12)
    it.stop()
    assert numbers(seen) == list(range(1, 13))


def test_a_refused_message_is_not_delivered_and_is_sent_again(setup, drafts, wait_until):
    """A PUBACK with a reason code of 0x80 or more says no (MQTT 5.0 §3.4.2.1)."""
    first, second = [], []
    asked = threading.Event()

    def refusing(session):
        session.take_connect()
        session.accept()
        while True:
            message = session.published()
            first.append(message)
            refuse = message.n == 3
            if refuse:
                asked.set()
            session.acknowledge(message, QUOTA_EXCEEDED if refuse else 0)

    def healthy(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(second)

    it = setup(refusing, healthy, entries=drafts(6))
    assert asked.wait(5)
    wait_until(lambda: it.delivered() == 6)
    assert numbers(second) == [3, 4, 5, 6]
    refused = [message.payload for message in first if message.n == 3]
    again = [message.payload for message in second if message.n == 3]
    assert again[:1] == refused[:1]
    assert any("refused a message" in report.reason for report in it.reports)
    assert max(report.refused for report in it.reports) == 1


def test_after_a_loss_everything_unacknowledged_is_sent_again_in_order(setup, drafts, wait_until):
    """Acknowledged out of order: entry 2 stays open, so the re-sending begins there."""
    first, second = [], []

    def losing(session):
        session.take_connect()
        session.accept()
        session.acknowledge(session.published())
        first.extend(session.published() for _ in range(6))
        for message in first:
            if message.n in (1, 3, 5):
                session.acknowledge(message)
        session.nothing_more_comes(0.3)

    def healthy(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(second)

    it = setup(losing, healthy, entries=drafts(6))
    wait_until(lambda: it.delivered() == 6)
    assert numbers(first) == [1, 2, 3, 4, 5, 6]
    assert numbers(second) == [2, 3, 4, 5, 6]
    assert not any(message.duplicate for message in second), "a new session knows no duplicates"


def test_entries_that_come_later_are_delivered_without_a_new_connection(
    setup, drafts, draft, wait_until
):
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(script, entries=drafts(2))
    wait_until(lambda: it.delivered() == 2)
    it.store.append([draft()])
    it.wake()
    wait_until(lambda: it.delivered() == 3)
    it.store.append([draft()])  # as another process does: nobody says so
    wait_until(lambda: it.delivered() == 4)
    assert numbers(seen) == [1, 2, 3, 4]
    assert len(it.broker.sessions) == 1


def old_broker_says_no(session):
    """A broker of 3.1.1 answers an unknown level with return code 1 (MQTT 3.1.1 §3.1.2.2)."""
    session.take_connect()
    session.connection.sendall(b"\x20\x02\x00\x01")


def new_broker_says_no(session):
    session.take_connect()
    session.accept(code=UNSUPPORTED_VERSION)


def broker_hangs_up(session):
    session.take_connect()


@pytest.mark.parametrize("refusal", [old_broker_says_no, new_broker_says_no, broker_hangs_up])
def test_a_broker_without_mqtt_5_is_spoken_to_in_3_1_1(setup, drafts, wait_until, refusal):
    seen = []

    def older(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    began = time.monotonic()
    it = setup(refusal, older, entries=drafts(4))
    wait_until(lambda: it.delivered() == 4)
    assert time.monotonic() - began < 5
    assert levels(it) == [5, 4]
    assert numbers(seen) == [1, 2, 3, 4]
    wait_until(lambda: any(report.version == "3.1.1" for report in it.reports))


def test_where_5_is_asked_for_there_is_no_falling_back(setup, drafts, wait_until):
    it = setup(broker_hangs_up, entries=drafts(1), version="5")
    wait_until(lambda: len(levels(it)) >= 2)
    assert set(levels(it)) == {5}
    assert it.delivered() == 0
    assert any("hung up before it accepted us" in report.reason for report in it.reports)


def levels(it):
    """The protocol levels asked for so far, in order; a connection whose CONNECT is not read yet
    does not count."""
    return [session.level for session in it.broker.sessions if session.level]


def test_where_neither_version_is_taken_both_are_tried_in_turn(setup, drafts, wait_until):
    it = setup(broker_hangs_up, entries=drafts(1))
    wait_until(lambda: len(levels(it)) >= 4)
    assert levels(it)[:4] == [5, 4, 5, 4]
    assert not any(report.connected for report in it.reports)


def test_a_refusal_for_another_reason_is_told_and_not_taken_for_the_version(
    setup, drafts, wait_until
):
    def refuse(session):
        session.take_connect()
        session.accept(code=NOT_AUTHORISED)

    it = setup(refuse, entries=drafts(1))
    wait_until(lambda: len(levels(it)) >= 2)
    assert set(levels(it)) == {5}
    wait_until(lambda: any("Not authorized" in report.reason for report in it.reports))


def test_nothing_is_published_before_the_broker_has_accepted_us(setup, drafts):
    checked = threading.Event()

    def slow(session):
        session.take_connect()
        session.nothing_more_comes(0.5)
        checked.set()
        session.accept()
        session.until_goodbye([])

    setup(slow, entries=drafts(3))
    assert checked.wait(5)


def test_a_broker_that_says_nobody_listens_is_believed_and_the_entry_delivered(
    setup, drafts, wait_until
):
    """Reason code 0x10 is a success (MQTT 5.0 §3.4.2.1)."""

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye([], code=NO_SUBSCRIBERS)

    it = setup(script, entries=drafts(3))
    wait_until(lambda: it.delivered() == 3)
    wait_until(lambda: any(report.nobody_listens for report in it.reports))


@pytest.mark.parametrize(
    "garbage", [b"\xff" * 40, b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\x20\x7f", b"\x40\x02\x00\x01"]
)
def test_a_peer_that_is_no_broker_does_no_harm(setup, drafts, wait_until, garbage):
    seen = []

    def nonsense(session):
        session.take_connect()
        session.connection.sendall(garbage)

    def healthy(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(nonsense, nonsense, healthy, entries=drafts(2))
    wait_until(lambda: it.delivered() == 2)
    assert numbers(seen) == [1, 2]


def test_without_a_broker_the_reason_is_told_and_a_stop_ends_it(tmp_path, drafts, wait_until):
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        port = bound.getsockname()[1]
    it = Setup(tmp_path, port)
    it.store.append(drafts(1))
    it.thread.start()
    wait_until(lambda: it.reports)
    assert "Connection refused" in it.reports[0].reason
    wait_until(lambda: it.reports[-1].backlog == 1)
    it.stop()
    assert not it.thread.is_alive()


def test_a_cursor_beyond_the_journal_is_brought_back(setup, drafts, tmp_path, wait_until):
    """The journal was put back from a copy: what comes now must not be passed over."""
    store = Store(tmp_path / "bench.journal")
    store.close()
    reader = JournalReader(tmp_path / "bench.journal")
    text = json.dumps({"journal": reader.journal_id, "delivered": 900})
    reader.close()
    (tmp_path / "cursor").write_text(text)
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(script)
    wait_until(lambda: seen)
    it.store.append(drafts(2))
    wait_until(lambda: it.delivered() == 2)
    assert numbers(seen) == [1, 2]


def test_the_state_carries_the_journals_head(setup, drafts, wait_until):
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(script, entries=drafts(5))
    wait_until(lambda: it.delivered() == 5)
    it.stop()
    reader = JournalReader(it.path)
    n, head = reader.head()
    reader.close()
    states = [json.loads(each.payload) for each in seen if each.topic.endswith("/state")]
    assert [each["state"] for each in states] == ["online", "offline"]
    assert all(each["head"] == {"n": 5, "hash": head.hex()} for each in states)
    assert (n, "head" in it.broker.sessions[0].will[1]) == (5, False)


def test_the_head_is_told_anew_when_it_moved_and_only_then(setup, drafts, wait_until, monkeypatch):
    monkeypatch.setattr("capture.publish.delivery._HEAD_EVERY", 0.05)
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    def heads():
        states = [json.loads(each.payload) for each in seen if each.topic.endswith("/state")]
        return [each["head"]["n"] for each in states]

    it = setup(script, entries=drafts(1))
    wait_until(lambda: heads() == [1])
    it.store.append(drafts(1))
    it.wake()
    wait_until(lambda: heads() == [1, 2])
    wait_until(lambda: it.delivered() == 2)
    it.store.append(drafts(1))
    it.wake()
    wait_until(lambda: heads() == [1, 2, 3])
    it.stop()
    assert heads() == [1, 2, 3, 3], "the last is the goodbye"
    assert all(each.retained for each in seen if each.topic.endswith("/state"))
