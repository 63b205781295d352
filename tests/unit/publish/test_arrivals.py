"""Messages cut out of what was read, against MQTT 5.0 (OASIS, 7 March 2019) and against paho."""

import contextlib
import socket

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from capture.publish.arrivals import Received, acknowledgements, cut_acknowledgements, cut_publishes
from capture.publish.wire import Client

CONNACK = b"\x20\x03\x00\x00\x00"


def number(value):
    """Write a variable byte integer (1.5.5)."""
    found = b""
    while value > 127:
        found += bytes([value & 127 | 128])
        value >>= 7
    return found + bytes([value])


def publish(topic=b"a/b", payload=b"hello", mid=7, properties=b"", first=0x32):
    """Write a PUBLISH (3.3)."""
    body = len(topic).to_bytes(2, "big") + topic
    body += mid.to_bytes(2, "big") if first & 0x06 else b""
    body += number(len(properties)) + properties + payload
    return bytes([first]) + number(len(body)) + body


def user_property(name, value):
    """Write one (3.3.2.3.7)."""
    parts = (len(each).to_bytes(2, "big") + each for each in (name, value))
    return b"\x26" + b"".join(parts)


PLAIN = publish()
HELLO = Received("a/b", b"hello", 7)


@pytest.mark.parametrize("first", [0x32, 0x33, 0x3A, 0x3B], ids=["new", "kept", "again", "both"])
def test_a_message_at_least_once_is_cut_out_whatever_its_flags(first):
    packet = publish(first=first)
    assert cut_publishes(packet, 0, 9) == ([HELLO], len(packet))


@pytest.mark.parametrize("size", [0, 1, 100, 119, 120, 200, 16_374, 16_375])
def test_lengths_of_one_and_of_two_bytes(size):
    """16,383 is the most that two bytes hold (table 1-1): eight of it are not the payload."""
    packet = publish(payload=size * b"x")
    assert cut_publishes(packet, 0, 9) == ([Received("a/b", size * b"x", 7)], len(packet))


@pytest.mark.parametrize("count", [1, 5, 6, 7, 600])
def test_properties_are_passed_over(count):
    """Twenty bytes each: a length of one byte, and one of two."""
    packet = publish(properties=count * user_property(b"ce_id", 10 * b"i"))
    assert cut_publishes(packet + PLAIN, 0, 9) == ([HELLO, HELLO], len(packet + PLAIN))


@pytest.mark.parametrize("properties", [b"\x26\x00\x01k\x00\x01\0", b"\x7f\x7f", b"\x26\x00"])
def test_what_properties_say_is_the_broker_s_to_check(properties):
    """Nothing of them is used: U+0000 (1.5.4), one that there is none of, one that is torn."""
    packet = publish(properties=properties)
    assert cut_publishes(packet, 0, 9) == ([HELLO], len(packet))


def test_it_begins_where_it_is_told_to_and_takes_no_more_than_it_may():
    stream = b"\xd0\x00" + 3 * PLAIN
    assert cut_publishes(stream, 2, 2) == ([HELLO, HELLO], 2 + 2 * len(PLAIN))
    assert cut_publishes(stream, 2, 0) == ([], 2)
    assert cut_publishes(stream, 0, 9) == ([], 0)
    assert cut_publishes(b"", 0, 9) == ([], 0)


LEFT = {
    "at most once": publish(first=0x30),
    "exactly once": publish(first=0x34),
    "a quality of service that there is none of": publish(first=0x36),
    "a ping's answer": b"\xd0\x00",
    "an acknowledgement": b"\x40\x02\x00\x07",
    "a topic's alias": publish(topic=b"", properties=b"\x23\x00\x01"),
    "a topic that is not UTF-8": publish(topic=b"\xff\xfe"),
    "an identifier of 0, which 2.2.1 forbids": publish(mid=0),
    "properties that are not ASCII": publish(properties=user_property(b"k", b"\xff")),
    "a property so long that its length is not ASCII": publish(
        properties=user_property(b"k", 128 * b"v")
    ),
    "more bytes than two can tell": publish(payload=16_376 * b"x"),
    "properties beyond the packet's end": b"\x32\x08\x00\x03a/b\x00\x07\x05" + PLAIN,
    "a length of properties beyond its end": b"\x32\x07\x00\x03a/b\x00\x07" + PLAIN,
    "an identifier beyond its end": b"\x32\x06\x00\x03a/b\x00" + PLAIN,
    "a topic beyond its end": b"\x32\x05\x00\x09a/b" + PLAIN,
    "nothing but a topic's length": b"\x32\x02\x00\x03" + PLAIN,
    "no topic's length": b"\x32\x01\x00" + PLAIN,
    "nothing": b"\x32\x00" + PLAIN,
    "properties whose length has three bytes": publish(
        payload=b"", properties=16_384 * b"\0"
    ),
    "properties whose length has three bytes where one would do": (
        b"\x32\x0b\x00\x03a/b\x00\x07\x80\x80\x00x" + PLAIN
    ),
}  # fmt: skip


@pytest.mark.parametrize("packet", LEFT.values(), ids=LEFT)
def test_what_is_not_plain_is_left_where_it_is(packet):
    assert cut_publishes(PLAIN + packet + PLAIN, 0, 9) == ([HELLO], len(PLAIN))


def test_a_packet_is_cut_out_once_it_is_there_to_its_end():
    for long in (PLAIN, publish(payload=300 * b"x", properties=user_property(b"k", 200 * b"v"))):
        for size in range(len(long)):
            assert cut_publishes(PLAIN + long[:size], 0, 9) == ([HELLO], len(PLAIN))


def test_acknowledgements_are_in_the_order_of_their_messages():
    """3.4.2.1: without a reason, and without properties, it is success."""
    assert acknowledgements([7, 65_535, 1]) == b"\x40\x02\x00\x07\x40\x02\xff\xff\x40\x02\x00\x01"
    assert acknowledgements([]) == b""


def test_acknowledgements_that_say_taken_are_cut_out():
    """3.4.2.1: no reason is success; 0x10: no matching subscribers."""
    stream = b"\x40\x02\x00\x07" + b"\x40\x03\xff\xff\x10" + b"\x40\x02\x01\x00"
    found = [(7, 0), (65_535, 0x10), (256, 0)]
    assert cut_acknowledgements(stream, 0, reasons=True) == (found, len(stream))
    assert cut_acknowledgements(b"\xd0\x00" + stream, 2, reasons=True) == (found, 2 + len(stream))
    assert cut_acknowledgements(stream, 0, reasons=False) == (found[:1], 4)
    assert cut_acknowledgements(b"", 0, reasons=True) == ([], 0)
    for size in range(4, 9):
        assert cut_acknowledgements(stream[:size], 0, reasons=True) == (found[:1], 4)
    for size in range(4):
        assert cut_acknowledgements(stream[:size], 0, reasons=True) == ([], 0)


@pytest.mark.parametrize(
    "packet",
    [
        b"\x40\x03\x00\x07\x97",  # a reason that is a failure: quota exceeded
        b"\x40\x03\x00\x07\x00",  # success, said in full
        b"\x40\x04\x00\x07\x10\x00",  # with properties
        b"\x40\x01\x07\x00",
        b"\x40\x82\x00\x00\x07",
        b"\x41\x02\x00\x07",
        b"\x50\x02\x00\x07",
        b"\xd0\x00\x00\x00",
    ],
)
def test_what_is_no_plain_acknowledgement_is_left_where_it_is(packet):
    plain = b"\x40\x02\x00\x07"
    stream = plain + packet + plain
    assert cut_acknowledgements(stream, 0, reasons=True) == ([(7, 0)], 4)


# ── by a client ──────────────────────────────────────────────────────────────────────────────


class Taking:
    """A client that is told what comes, and its broker's end; ``quick`` as the historian reads."""

    def __init__(self, server, *, quick, protocol=MQTTProtocolVersion.MQTTv5):
        self.quick, self.heard, self.over = quick, [], False
        self.client = Client(
            CallbackAPIVersion.VERSION2, "taking", protocol=protocol, manual_ack=True
        )
        self.client.on_message = lambda _client, _data, m: self.heard.append(
            Received(m.topic, bytes(m.payload), m.mid if m.qos else None)
        )
        self.client.connect(*server.getsockname())
        self.client.loop_write()
        self.peer, _ = server.accept()
        self.peer.recv(100)
        five = protocol is MQTTProtocolVersion.MQTTv5
        self.peer.sendall(CONNACK if five else CONNACK[:1] + b"\x02\x00\x00")
        while not self.client.is_connected():
            self.client.loop_read()

    def listen(self, stream, pieces=()):
        """Hear a stream, in pieces, to the end of the connection."""
        at = 0
        with self.peer, contextlib.suppress(OSError):  # it may have hung up
            for size in [*pieces, len(stream)]:
                self.peer.sendall(stream[at : at + size])
                at += size
                self._turn()
            self.peer.shutdown(socket.SHUT_WR)
            while not self.over:
                self._turn()
        return self.heard

    def close(self):
        """End both ends."""
        self.peer.close()
        self.client.socket().close()

    def _turn(self):
        while not self.over:
            if self.quick:
                self.heard += self.client.take_publishes(3)
            try:
                self.over = self.client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS
            except Exception:  # noqa: BLE001
                self.over = True  # paho raises all sorts on bytes that are no MQTT
            if not self.client.pending():
                return


# paho ends the connection at U+0000 in a property (1.5.4), which we do not look for: see below.
VALUES = st.binary(max_size=150).map(lambda value: value.replace(b"\0", b"0"))
PACKETS = st.one_of(
    st.builds(
        publish,
        topic=st.text(min_size=1, max_size=20).map(str.encode),
        payload=st.binary(max_size=300),
        mid=st.integers(1, 65_535),
        properties=st.just(b"") | st.builds(user_property, st.just(b"k"), VALUES),
        first=st.sampled_from([0x32, 0x32, 0x3B, 0x30]),
    ),
    st.sampled_from([b"\xd0\x00", b"\xd0\x00", *LEFT.values()]),
)


@given(
    stream=st.lists(PACKETS, min_size=1, max_size=8).map(b"".join),
    pieces=st.lists(st.integers(1, 400), max_size=6),
)
def test_what_a_client_hears_is_what_paho_alone_hears(stream, pieces):
    with socket.create_server(("127.0.0.1", 0)) as server:
        alone = Taking(server, quick=False).listen(stream, pieces)
        ours = Taking(server, quick=True).listen(stream, pieces)
    assert ours == alone


@pytest.fixture
def server():
    with socket.create_server(("127.0.0.1", 0)) as made:
        yield made


def test_a_packet_that_paho_has_begun_is_paho_s_to_end(server):
    it = Taking(server, quick=True)
    assert it.listen(PLAIN[:1] + PLAIN[1:] + 4 * PLAIN, [1, 1, 3]) == 5 * [HELLO]


def test_most_packets_pass_paho_by(server):
    """Else the short way is none: only the packet with which a read begins is paho's."""
    it = Taking(server, quick=True)
    by_paho = it.heard = []
    it.peer.sendall(100 * PLAIN)
    it.client.loop_read()
    taken = []
    while more := it.client.take_publishes(30):
        taken += more
    assert (len(by_paho), len(taken)) == (1, 99)
    it.close()


def test_should_paho_keep_its_things_elsewhere_it_reads_all_itself(server):
    it = Taking(server, quick=True)

    class Elsewhere(dict):
        def __getitem__(self, key):
            if key == "command" and self.asked_by_us:
                raise KeyError(key)
            return super().__getitem__(key)

    it.client._in_packet = Elsewhere(it.client._in_packet)
    it.client._in_packet.asked_by_us = True
    assert it.client.take_publishes(9) == []
    it.client._in_packet.asked_by_us = False
    assert it.listen(3 * PLAIN) == 3 * [HELLO]


def test_in_mqtt_3_1_1_there_are_no_properties_to_pass_over(server):
    it = Taking(server, quick=True, protocol=MQTTProtocolVersion.MQTTv311)
    packet = b"\x32\x0c\x00\x03a/b\x00\x07hello"
    assert it.listen(3 * packet) == 3 * [HELLO]


def test_without_a_connection_nothing_comes_and_nothing_is_said():
    client = Client(CallbackAPIVersion.VERSION2, "taking", protocol=MQTTProtocolVersion.MQTTv5)
    assert client.take_publishes(9) == []
    client.confirm([7])
    assert not client.want_write()
