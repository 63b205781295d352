"""The listener at a broker that the test plays itself, byte by byte, and that plays foul.

The bytes are written out from MQTT 5.0 (OASIS, 7 March 2019), not made by the client that is used.
"""

import socket

import paho.mqtt.client
import pytest

from capture.errors import PublishError
from capture.historian import listener as listening
from capture.historian.listener import Listener
from capture.historian.settings import BrokerSource
from capture.publish.arrivals import Received

CONNACK = b"\x20\x03\x00\x00\x00"  # 3.2: no session, success, no properties
SUBACK = b"\x90\x09\x00\x01\x00" + 6 * b"\x01"  # 3.9: identifier 1, six times QoS 1
#: 3.3: QoS 1, topic "a/b", identifier 7, user property k = v, payload "hello"
PUBLISH = b"\x32\x14\x00\x03a/b\x00\x07\x07\x26\x00\x01k\x00\x01v" + b"hello"
HELLO = Received("a/b", b"hello", 7)
PINGRESP = b"\xd0\x00"


class Played:
    """A broker of one connection."""

    def __init__(self, *, hears_states=False, **settings):
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = port = self._server.getsockname()[1]
        self.listener = Listener(
            BrokerSource(port=port, **settings),
            "slot-0",
            "group",
            100,
            "secret",
            None,
            hears_states=hears_states,
        )
        self.listener.begin()
        self.line, _ = self._server.accept()
        self.line.settimeout(5)

    def close(self):
        self.listener.end(politely=False)
        self.line.close()
        self._server.close()

    def say(self, data):
        """Send, and let the listener hear all of it."""
        self.line.sendall(data)
        self.listener.turn(1)

    def heard(self, size=65_536):
        """Give what the listener has to say now."""
        self.listener.turn(0)
        return self.line.recv(size)

    def ready(self):
        self.heard()
        self.say(CONNACK)
        assert self.heard()[0] == 0x82  # SUBSCRIBE
        self.say(SUBACK)
        assert self.listener.subscribed
        assert self.listener.over is None
        return self


@pytest.fixture
def play():
    made = []

    def begin(**settings):
        made.append(Played(**settings))
        return made[-1]

    yield begin
    for each in made:
        each.close()


def test_connect_says_what_the_session_needs(play):
    """3.1: MQTT 5, no clean start, and the three properties; the password only with a name."""
    packet = play(username="historian", max_packet=65_536, session_expiry_s=3600).heard()
    assert packet[:1] == b"\x10"
    assert packet[2:9] == b"\x00\x04MQTT\x05"
    flags = packet[9]
    assert flags == 0b1100_0000
    assert packet[10:12] == (20).to_bytes(2, "big")
    length = packet[12]
    properties = packet[13 : 13 + length]
    assert b"\x11" + (3600).to_bytes(4, "big") in properties
    assert b"\x21" + (100).to_bytes(2, "big") in properties
    assert b"\x27" + (65_536).to_bytes(4, "big") in properties
    rest = packet[13 + length :]
    assert rest == b"\x00\x06slot-0\x00\x09historian\x00\x06secret"
    assert b"secret" not in play().heard()


def test_a_message_is_the_same_wherever_its_bytes_are_cut(play):
    broker = play().ready()
    stream = PUBLISH + PINGRESP + PUBLISH
    for cut in range(1, len(stream)):
        broker.say(stream[:cut])
        broker.say(stream[cut:])
        assert list(broker.listener.received) == [HELLO, HELLO]
        broker.listener.received.clear()
    for byte in stream:
        broker.say(bytes([byte]))
    assert list(broker.listener.received) == [HELLO, HELLO]
    assert broker.listener.over is None


def test_nothing_is_acknowledged_until_it_is_told_to_be_and_then_all_at_once(play):
    broker = play().ready()
    other = PUBLISH.replace(b"\x00\x07\x07", b"\x00\x08\x07")
    at_most_once = b"\x30\x08\x00\x03a/b\x00hi"
    broker.say(PUBLISH + at_most_once + other)
    assert [m.mid for m in broker.listener.received] == [7, None, 8]
    broker.line.settimeout(0)
    with pytest.raises(BlockingIOError):
        broker.heard()
    broker.line.settimeout(5)
    broker.listener.acknowledge(broker.listener.received)
    assert broker.heard() == b"\x40\x02\x00\x07\x40\x02\x00\x08"


def test_a_flood_at_qos_0_which_nothing_bounds_is_not_gathered(play):
    """Receive Maximum counts messages at QoS 1 (3.1.2.11.3); those at QoS 0 may be lost."""
    broker = play().ready()
    broker.say(150 * b"\x30\x08\x00\x03a/b\x00hi" + PUBLISH)
    assert len(broker.listener.received) == 101
    assert broker.listener.received[-1] == HELLO
    assert broker.listener.dropped == 50


def test_a_broker_that_passes_over_receive_maximum_waits(play):
    """3.3.4: it must not send more than the 100 that may be unacknowledged; what it has sent comes later."""
    broker = play().ready()
    listener = broker.listener
    broker.say(101 * PUBLISH)
    broker.say(100 * PUBLISH)
    broker.line.sendall(50 * PUBLISH)
    listener.acknowledge([HELLO])
    assert not listener.turn(0)
    assert len(listener.received) == 201
    assert broker.line.recv(4) == b"\x40\x02\x00\x07"  # what we say leaves all the same
    listener.received.popleft()
    while len(listener.received) < 250:
        assert listener.turn(5)
    assert set(listener.received) == {HELLO}
    assert listener.over is None


def test_large_messages_wait_at_the_broker_and_are_stored_in_parts(play, monkeypatch):
    """Thousands of them, each as large as a packet may be, would be a gigabyte in memory."""
    monkeypatch.setattr(listening, "_MOST_HELD", 100)
    monkeypatch.setattr(listening, "_BATCH", 12)
    broker = play().ready()
    listener = broker.listener
    broker.say(21 * PUBLISH)  # five bytes each
    broker.line.sendall(5 * PUBLISH)
    assert not listener.turn(0)
    assert len(listener.received) == 21
    assert listener.take(100) == 3 * [HELLO]
    assert listener.take(2) == 2 * [HELLO]
    assert listener.turn(5)
    taken = 5
    while listener.received:
        some = listener.take(100)
        assert 0 < len(some) <= 3
        taken += len(some)
    assert taken == 26
    assert listener.take(100) == []
    assert listener.over is None


def test_a_message_larger_than_is_stored_at_once_is_stored_alone(play, monkeypatch):
    monkeypatch.setattr(listening, "_BATCH", 3)
    broker = play().ready()
    broker.say(2 * PUBLISH)
    assert broker.listener.take(100) == [HELLO]
    assert broker.listener.take(100) == [HELLO]


def test_a_connection_whose_messages_pass_paho_by_is_kept_alive(play, monkeypatch):
    """3.1.2.10: a PINGREQ within each keep-alive, and an answer amid messages counts as one."""
    broker, started = play().ready(), paho.mqtt.client.time_func()
    for period in range(1, 6):
        later = period * 21.0  # seconds; the keep-alive is 20
        monkeypatch.setattr(paho.mqtt.client, "time_func", lambda at=later: started + at)
        broker.say(3 * PUBLISH)
        assert broker.heard() == b"\xc0\x00"
        broker.say(2 * PUBLISH + PINGRESP + 2 * PUBLISH)
        assert broker.listener.over is None
    assert list(broker.listener.received) == 35 * [HELLO]


@pytest.mark.parametrize(
    ("said", "reason"),
    [
        (b"\x20\x03\x00\x87\x00", " refused us: Not authorized (0x87); check username, password, certificate and the broker's access rules"),
        (b"\x20\x05\x00\x00\x02\x2a\x00", ": has no shared subscriptions"),
        (b"\x20\x02\x00\x01", " refused us: Unsupported protocol version (0x84)"),  # MQTT 3.1.1, 3.2: unacceptable protocol version
        (CONNACK + b"\x90\x04\x00\x01\x00\x87", ": refuses the subscription: Not authorized"),
        (CONNACK + b"\xe0\x02\x8e\x00", ": Session taken over"),
        (b"HTTP/1.1 400 Bad Request\r\n\r\n" + 80 * b" ", ": Protocol error"),
        (CONNACK + b"\x10\x0d\x00\x04MQTT\x05\x00\x00\x00\x00\x00\x00", ": Protocol error"),
    ],
)  # fmt: skip
def test_what_a_broker_says_wrong_ends_the_connection_in_words(play, said, reason):
    broker = play()
    broker.heard()
    broker.say(said)
    assert broker.listener.over == f"broker 127.0.0.1:{broker.port}{reason}"
    assert broker.listener.over.isprintable()
    assert not broker.listener.turn(1)


def test_what_benches_say_of_themselves_may_be_refused_and_entries_come_all_the_same(play):
    """3.9.3: each topic filter has its own reason code. The sixth is that of answers."""
    broker = play()
    broker.heard()
    broker.say(CONNACK)
    broker.heard()
    broker.say(SUBACK[:-1] + b"\x87")
    assert broker.listener.subscribed
    assert broker.listener.over is None
    why = "refuses `state` or `resent`: Not authorized"
    assert broker.listener.deaf == f"broker 127.0.0.1:{broker.port}: {why}"
    broker.say(PUBLISH)
    assert list(broker.listener.received) == [HELLO]


@pytest.mark.parametrize("hears", [False, True])
def test_states_are_heard_by_one_slot_and_never_shared(play, hears):
    """4.8.2: no retained message comes for a shared subscription. 3.8.3.1: the options byte."""
    broker = play(hears_states=hears)
    broker.heard()
    broker.say(CONNACK)
    packet = broker.heard()
    assert packet.count(b"$share/group/benchtally/v1/+/+/") == 6
    assert packet.endswith(b"\x00\x17benchtally/v1/+/+/state\x01") is hears
    assert b"$share/group/benchtally/v1/+/+/resent\x01" in packet


@pytest.mark.parametrize(
    "said",
    [
        b"\x32\x0a\x00\x02\xff\xfe\x00\x01\x00abc",
        b"\x32\x0d\x00\x01a\x00\x01\x07\x26\x00\x01\xff\x00\x01v",
    ],
    ids=["topic", "user property"],
)
def test_what_is_no_utf_8_ends_the_connection_and_not_the_program(play, said, capfd):
    """1.5.4: ill-formed UTF-8 makes the packet malformed. Mosquitto 2.0.11 takes none of it from anybody."""
    broker = play().ready()
    broker.say(PUBLISH + said)
    assert "not MQTT" in broker.listener.over or "Protocol error" in broker.listener.over
    assert list(broker.listener.received) == [HELLO]


def test_a_broker_that_hangs_up_is_noticed(play):
    broker = play().ready()
    broker.say(PUBLISH)
    broker.line.close()
    broker.listener.turn(1)
    assert broker.listener.over == "the connection to the broker is gone"
    assert list(broker.listener.received) == [HELLO]


def test_requests_wait_for_the_acknowledgement_of_the_one_before(play):
    """4.9: no more may be unacknowledged than the broker's Receive Maximum, and every one allows one."""
    broker = play().ready()
    for n in range(3):
        broker.listener.ask_again("s", "b", {"id": n})
    for n in range(3):
        packet = broker.heard()
        assert packet.count(b'{"id":') == 1
        assert b'{"id": %d}' % n in packet
        length = 4 + packet[3]  # 3.3.2: the topic, then the identifier
        broker.say(b"\x40\x02" + packet[length : length + 2])


def test_before_it_begins_and_after_its_end_nothing_is_sent(play):
    broker = play().ready()
    broker.line.shutdown(socket.SHUT_WR)  # as a broker does when it has read the last of it
    broker.listener.end(politely=True)
    assert broker.heard() == b"\xe0\x00"
    assert broker.heard() == b""
    with pytest.raises(PublishError):
        broker.listener.acknowledge([HELLO])
    assert not broker.listener.turn(0)
    assert broker.listener.over


def test_a_broker_that_is_not_there_is_named():
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    listener = Listener(BrokerSource(port=port), "slot-0", "group", 1, "", None)
    with pytest.raises(PublishError, match=f"broker 127.0.0.1:{port}: Connection refused"):
        listener.begin()


def test_what_the_broker_does_not_take_yet_is_kept_and_leaves_later(play):
    """It reads nothing: acknowledgements pile up, none is lost, none is torn."""
    broker = play().ready()
    many = [Received("a/b", b"", number) for number in range(1, 65_536)]
    for _ in range(10):
        broker.listener.acknowledge(many)
    wanted = 10 * 65_535 * 4
    got = bytearray()
    while len(got) < wanted:
        got += broker.heard()
        broker.listener.turn(0)
    assert got == 10 * b"".join(b"\x40\x02" + n.to_bytes(2, "big") for n in range(1, 65_536))
