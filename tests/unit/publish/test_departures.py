"""Messages written as bytes, against MQTT 5.0 (OASIS, 7 March 2019), and put past paho by a client."""

import socket

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from capture.publish.arrivals import Received, cut_publishes
from capture.publish.departures import is_plain_topic, publish_packet
from capture.publish.wire import Client

NONE = b"\0"  # no properties, which MQTT 5 says by their length


def test_a_packet_is_what_the_standard_says():
    """3.3, and 1.5.5 for lengths: of this one 17 = 2 + 3 + 2 + 1 + 5 + 4 of a property's."""
    packet = publish_packet(b"a/b", b"hello", b"\x04\x03\x00\x01t", 7, retain=False)
    assert packet == b"\x32\x11\x00\x03a/b\x00\x07\x04\x03\x00\x01thello"
    assert publish_packet(b"a", b"", NONE, 65_535, retain=True) == b"\x33\x06\x00\x01a\xff\xff\0"
    assert publish_packet(b"a", b"x", b"", 1, retain=False) == b"\x32\x06\x00\x01a\x00\x01x"


@pytest.mark.parametrize(
    ("size", "length"),
    [
        (127, b"\x7f"),
        (128, b"\x80\x01"),
        (16_383, b"\xff\x7f"),
        (16_384, b"\x80\x80\x01"),
        (2_097_151, b"\xff\xff\x7f"),
        (2_097_152, b"\x80\x80\x80\x01"),
    ],
)
def test_lengths_are_those_of_table_1_1(size, length):
    packet = publish_packet(b"a", (size - 6) * b"x", NONE, 1, retain=False)
    assert packet[1 : 1 + len(length)] == length
    assert len(packet) == 1 + len(length) + size


@given(
    topic=st.text(st.characters(codec="utf-8", exclude_characters="+#"), min_size=1, max_size=30),
    payload=st.binary(max_size=300),
    mid=st.integers(1, 65_535),
)
def test_what_departs_arrives(topic, payload, mid):
    packet = publish_packet(topic.encode(), payload, NONE, mid, retain=False)
    assert cut_publishes(packet, 0, 9) == ([Received(topic, payload, mid)], len(packet))


@pytest.mark.parametrize(
    ("topic", "plain"),
    [
        (b"a/b", True),
        (b"", False),
        (b"a/+", False),
        (b"#", False),
        (65_535 * b"a", True),
        (65_536 * b"a", False),
    ],
)
def test_topics_that_one_may_publish_under(topic, plain):
    """4.7.1 and 4.7.3: no wildcard, at least one character, at most 65,535 bytes."""
    assert is_plain_topic(topic) is plain


# ── by a client ──────────────────────────────────────────────────────────────────────────────


class Putting:
    """A client that was accepted, and its broker's end."""

    def __init__(self, kind=Client):
        self.client = kind(
            CallbackAPIVersion.VERSION2, "putting", protocol=MQTTProtocolVersion.MQTTv5
        )
        self.client.max_inflight_messages_set(0)
        self.told = []
        self.client.on_publish = lambda _client, _data, mid, reason, _properties: self.told.append(
            (mid, reason.value)
        )
        with socket.create_server(("127.0.0.1", 0)) as server:
            self.client.connect(*server.getsockname())
            self.client.loop_write()
            self.peer, _ = server.accept()
        self.peer.settimeout(5)
        self.peer.recv(100)
        self.peer.sendall(b"\x20\x03\x00\x00\x00")
        while not self.client.is_connected():
            self.client.loop_read()

    def put(self, topic=b"a/b", payload=b"c"):
        return self.client.put(topic, payload, NONE, retain=False)

    def heard(self):
        self.client.loop_write()
        return self.peer.recv(65_536)

    def say(self, data, wanted):
        self.peer.sendall(data)
        while len(self.told) < wanted:
            self.client.loop_read()

    def close(self):
        if self.client.socket() is not None:
            self.client.socket().close()
        self.peer.close()


@pytest.fixture
def putting():
    made = []

    def make(kind=Client):
        made.append(Putting(kind))
        return made[-1]

    yield make
    for each in made:
        each.close()


def test_a_message_that_was_put_is_acknowledged_as_one_that_was_published(putting):
    """Each way of an acknowledgement: the short one, a reason that paho reads, and one in pieces."""
    it = putting()
    first, second, third = it.put(), it.put(), it.put()
    assert len({first, second, third}) == 3
    assert it.heard() == b"".join(
        publish_packet(b"a/b", b"c", NONE, mid, retain=False) for mid in (first, second, third)
    )
    it.say(b"\x40\x02" + first.to_bytes(2, "big"), 1)
    it.say(b"\x40\x03" + second.to_bytes(2, "big") + b"\x97", 2)
    for byte in b"\x40\x02" + third.to_bytes(2, "big"):
        it.peer.sendall(bytes([byte]))
        it.client.loop_read()
    while len(it.told) < 3:
        it.client.loop_read()
    assert it.told == [(first, 0), (second, 0x97), (third, 0)]


def test_numbers_are_paho_s_own_so_that_none_is_used_twice(putting):
    it = putting()
    mids = [it.put(), it.client.publish("a/b", b"c", qos=1).mid]
    it.client.loop_write()
    mids += [it.put(), it.client.subscribe("a/c")[1]]
    assert len(set(mids)) == 4


def test_nothing_overtakes_what_paho_holds_back(putting):
    it = putting()
    it.client.publish("a/b", b"first", qos=1)
    assert it.put() is None
    assert b"first" in it.heard()
    assert it.put() is not None


def test_what_the_socket_does_not_take_is_left_to_paho(putting):
    it = putting()
    assert it.put(payload=8_000_000 * b"x") is not None
    it.client.loop_write()
    assert it.put() is None
    assert it.client.publish("a/b", b"c", qos=1).rc == MQTTErrorCode.MQTT_ERR_SUCCESS


def test_a_topic_that_is_none_is_left_to_paho(putting):
    it = putting()
    assert it.put(topic=b"a/#") is None
    with pytest.raises(ValueError, match="wildcards"):
        it.client.publish("a/#", b"c", qos=1)


def test_a_number_that_is_still_in_use_is_left_to_paho(putting):
    it = putting()
    used = it.put()
    it.client._last_mid = used - 1
    assert it.put() is None
    assert it.heard().count(b"a/b") == 1


@pytest.mark.parametrize("gone", ["_out_message_mutex", "_out_messages", "_mid_generate"])
def test_should_paho_keep_its_things_elsewhere_nothing_is_put(putting, gone):
    class Elsewhere(Client):
        def __getattribute__(self, name):
            if name == gone and it is not None:
                raise AttributeError(name)
            return super().__getattribute__(name)

    it = None
    it = putting(Elsewhere)
    assert it.put() is None
    it.client.__class__ = Client


def test_before_a_connection_nothing_is_put():
    client = Client(CallbackAPIVersion.VERSION2, "putting", protocol=MQTTProtocolVersion.MQTTv5)
    assert client.put(b"a/b", b"c", NONE, retain=False) is None
