"""The socket that reads ahead and gathers, against real sockets."""

import contextlib
import socket
import ssl
import sys
import threading

import paho.mqtt.client
import pytest
import trustme
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from capture.publish import wire
from capture.publish.wire import Client, Wire


@pytest.fixture
def pair():
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    made = Wire(ours)
    yield made, theirs
    made.close()
    theirs.close()


@given(
    chunks=st.lists(st.binary(min_size=1, max_size=50), min_size=1, max_size=10),
    sizes=st.lists(st.integers(1, 20), min_size=1),
)
def test_what_is_read_ahead_comes_out_in_order_and_whole(chunks, sizes):
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    wire, got = Wire(ours), b""
    whole = b"".join(chunks)
    theirs.sendall(whole)
    turn = 0
    while len(got) < len(whole):
        part = wire.recv(sizes[turn % len(sizes)])
        assert 0 < len(part) <= sizes[turn % len(sizes)]
        got += part
        turn += 1
        assert wire.pending() is (len(got) < len(whole))
    assert got == whole
    with pytest.raises(BlockingIOError):
        wire.recv(1)
    theirs.close()
    assert wire.recv(1) == b""
    wire.close()


def test_a_packet_larger_than_what_is_read_ahead_is_read_past_memory(pair):
    wire, theirs = pair
    whole = bytes(range(256)) * 1024
    sending = threading.Thread(target=theirs.sendall, args=(whole,))
    sending.start()
    got = b""
    while len(got) < len(whole):
        try:
            got += wire.recv(len(whole) - len(got))
        except BlockingIOError:
            continue
    sending.join()
    assert got == whole
    assert not wire.pending()


def test_what_is_sent_is_gathered_until_the_flush(pair):
    wire, theirs = pair
    theirs.setblocking(False)
    assert wire.send(b"one") == 3
    assert wire.send(bytearray(b"two")) == 3
    assert wire.gathered == 6
    with pytest.raises(BlockingIOError):
        theirs.recv(10)
    wire.flush()
    assert theirs.recv(10) == b"onetwo"
    assert wire.gathered == 0


def test_a_socket_that_takes_nothing_leaves_the_rest_here_and_refuses_more(pair):
    wire, theirs = pair
    sent = 0
    with contextlib.suppress(BlockingIOError):
        while sent < 100_000_000:
            sent += wire.send(b"x" * 10_000)
    assert sent < 100_000_000
    assert 0 < wire.gathered < 100_000
    got = 0
    while got < sent:
        got += len(theirs.recv(1_000_000))
        wire.flush()
    assert got == sent
    assert wire.gathered == 0


def test_closing_sends_what_is_left(pair):
    wire, theirs = pair
    wire.send(b"goodbye")
    wire.close()
    assert theirs.recv(10) == b"goodbye"
    assert theirs.recv(10) == b""


def test_a_peer_that_goes_on_talking_is_not_waited_for_longer_than_was_said(pair):
    wire, theirs = pair
    closed, talked_out = threading.Event(), threading.Event()

    def talk():
        with contextlib.suppress(OSError):
            for _ in range(300_000):
                if closed.is_set():
                    return
                theirs.send(b"x")
            talked_out.set()

    talking = threading.Thread(target=talk)
    talking.start()
    wire.patience = 0.01
    wire.send(b"goodbye")
    wire.close()
    closed.set()
    talking.join()
    assert not talked_out.is_set()


def test_bytes_inside_tls_count_as_pending():
    authority = trustme.CA()
    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("localhost").configure_cert(serving)
    asking = ssl.create_default_context()
    authority.configure_trust(asking)
    ours, theirs = socket.socketpair()
    accepted = []

    def serve():
        tls = serving.wrap_socket(theirs, server_side=True)
        tls.sendall(b"a" * 100_000)
        accepted.append(tls)

    server = threading.Thread(target=serve)
    server.start()
    wire = Wire(asking.wrap_socket(ours, server_hostname="localhost"))
    got = len(wire.recv(1))
    while got < 100_000:
        # Whatever is in memory here or inside TLS, select would not tell of.
        got += len(wire.recv(70_000 if wire.pending() else 1))
    server.join()
    assert got == 100_000
    wire.close()
    accepted[0].close()


def test_a_client_on_it_does_what_paho_does_with_fewer_calls(scripted_socket):
    server, address = scripted_socket
    client = Client(CallbackAPIVersion.VERSION2, "wire", clean_session=True)
    client.connect(*address)
    assert isinstance(client.socket(), Wire), "paho no longer asks for a socket where we give it"
    assert client.want_write()
    assert client.loop_write() == MQTTErrorCode.MQTT_ERR_SUCCESS
    assert not client.want_write()
    peer, _ = server.accept()
    assert peer.recv(100)[0] >> 4 == 1  # CONNECT
    peer.sendall(b"\x20\x02\x00\x00")  # CONNACK
    while not client.is_connected():
        client.loop_read()
    for _ in range(3):
        client.publish("a/b", b"c", qos=1)
    assert client.want_write()
    client.loop_write()
    # MQTT 3.1.1 §3.3 and §3.4: three PUBLISH of 9 bytes with numbers 1 to 3, three PUBACK.
    assert peer.recv(100) == b"".join(
        b"\x32\x08\x00\x03a/b\x00" + bytes([n]) + b"c" for n in (1, 2, 3)
    )
    acknowledged = []
    client.on_publish = lambda *args: acknowledged.append(args[2])
    peer.sendall(b"".join(b"\x40\x02\x00" + bytes([n]) for n in (1, 2, 3)))
    while len(acknowledged) < 3:
        client.loop_read()
    assert acknowledged == [1, 2, 3]
    assert not client.pending()
    client.disconnect()
    client.loop_write()
    assert peer.recv(100) == b"\xe0\x00"  # DISCONNECT went out before the socket was closed
    assert peer.recv(100) == b""
    peer.close()


def test_a_connection_that_is_lost_while_sending_is_told_after_what_had_come(scripted_socket):
    server, address = scripted_socket
    ours = socket.create_connection(address)
    ours.setblocking(False)
    wire = Wire(ours)
    peer, _ = server.accept()
    peer.sendall(b"the last word")
    peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
    peer.close()  # resets the connection
    while wire.send(b"x") and not wire.pending():
        wire.flush()
    assert wire.recv(4) == b"the "
    assert wire.recv(100) == b"last word"
    try:
        assert wire.recv(1) == b""
    except OSError as error:
        assert not isinstance(error, BlockingIOError), "lost, and not merely quiet"
    assert wire.gathered == 0 or not wire.flush()
    wire.close()


def test_a_client_whose_connection_is_lost_while_it_sends_takes_note(scripted_socket):
    server, address = scripted_socket
    client = Client(CallbackAPIVersion.VERSION2, "wire", clean_session=True)
    client.connect(*address)
    peer, _ = server.accept()
    peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
    peer.close()
    while not client.pending():
        client.publish("a/b", b"c", qos=1)
        client.loop_write()
    assert client.loop_read() == MQTTErrorCode.MQTT_ERR_CONN_LOST
    assert client.socket() is None


@pytest.fixture
def scripted_socket():
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server, server.getsockname()


class Acknowledging:
    """A client of MQTT 5 with three messages on their way, and its broker's end."""

    def __init__(self, server, address, protocol=MQTTProtocolVersion.MQTTv5):
        self.client = Client(CallbackAPIVersion.VERSION2, "wire", protocol=protocol)
        self.told = []
        self.client.on_publish = lambda _client, _data, mid, reason, _properties: self.told.append(
            (mid, reason.value, reason.is_failure)
        )
        self.client.connect(*address)
        self.client.loop_write()
        self.peer, _ = server.accept()
        self.peer.recv(100)
        five = protocol is MQTTProtocolVersion.MQTTv5
        self.peer.sendall(b"\x20\x03\x00\x00\x00" if five else b"\x20\x02\x00\x00")  # CONNACK
        while not self.client.is_connected():
            self.client.loop_read()
        for _ in range(3):
            self.client.publish("a/b", b"c", qos=1)
        self.client.loop_write()

    def say(self, data, wanted):
        self.peer.sendall(data)
        while len(self.told) < wanted:
            self.client.loop_read()


@pytest.mark.parametrize("own", [True, False], ids=["told apart here", "as paho does it"])
def test_acknowledgements_mean_what_they_mean_to_paho(scripted_socket, monkeypatch, own):
    """MQTT 5.0 §3.4.2.1: no reason code is success; 0x10 is no matching subscribers; 0x97 a failure."""
    if not own:
        monkeypatch.setattr(Client, "_is_between_packets", False)
    it = Acknowledging(*scripted_socket)
    it.say(b"\x40\x02\x00\x02" + b"\x40\x03\x00\x01\x10" + b"\x40\x04\x00\x03\x97\x00", 3)
    assert it.told == [(2, 0, False), (1, 0x10, False), (3, 0x97, True)]
    it.say(b"\x40\x02\x00\x02" + b"\x40\x02\x00\x63", 3)  # again, and one that was never sent
    it.client.loop_read()
    assert len(it.told) == 3
    it.client.publish("a/b", b"c", qos=1)
    it.say(b"\x40\x02\x00\x04", 4)
    assert it.told[3] == (4, 0, False)
    it.peer.close()


@pytest.mark.parametrize(
    "gone", ["_out_message_mutex", "_out_messages", "_do_on_publish", "_in_packet"]
)
def test_should_paho_keep_its_things_elsewhere_it_does_all_as_before(scripted_socket, gone):
    class Elsewhere(Client):
        def __getattribute__(self, name):
            asked_by = sys._getframe(1).f_code.co_filename
            if name == gone and asked_by == wire.__file__:
                raise AttributeError(name)
            return super().__getattribute__(name)

    it = Acknowledging(*scripted_socket)
    it.client.__class__ = Elsewhere
    it.say(b"\x40\x02\x00\x02" + b"\x40\x02\x00\x01", 2)
    assert it.told == [(2, 0, False), (1, 0, False)]
    it.peer.close()


def test_plain_acknowledgements_pass_paho_by(scripted_socket, monkeypatch):
    """Else the short way is none."""
    it = Acknowledging(*scripted_socket)
    by_paho = []
    monkeypatch.setattr(it.client, "_packet_read", lambda: by_paho.append(1) or 0)
    it.say(b"\x40\x02\x00\x02" + b"\x40\x03\x00\x01\x10" + b"\x40\x02\x00\x03", 3)
    assert [mid for mid, _, _ in it.told] == [2, 1, 3]
    assert not by_paho
    it.peer.close()


def test_acknowledgements_mean_the_same_wherever_their_bytes_are_cut(scripted_socket):
    it = Acknowledging(*scripted_socket)
    for n, byte in enumerate(b"\x40\x03\x00\x02\x10" + b"\xd0\x00" + b"\x40\x02\x00\x01"):
        it.say(bytes([byte]), int(n >= 4) + int(n >= 10))
        it.client.loop_read()
    assert it.told == [(2, 0x10, False), (1, 0, False)]
    it.peer.sendall(b"\xd0\x00" + b"\x40\x02\x00\x03")
    while len(it.told) < 3:
        assert it.client.loop_read() == MQTTErrorCode.MQTT_ERR_SUCCESS
    it.peer.close()


def test_a_publisher_whose_acknowledgements_pass_paho_by_is_kept_alive(
    scripted_socket, monkeypatch
):
    """3.1.2.10: a PINGREQ within each keep-alive (60 s), and its answer is read amid what is ours."""
    it, started = Acknowledging(*scripted_socket), paho.mqtt.client.time_func()
    it.peer.settimeout(5)
    for period in range(1, 6):
        later = period * 61.0
        monkeypatch.setattr(paho.mqtt.client, "time_func", lambda at=later: started + at)
        one, two = (it.client.publish("a/b", b"c", qos=1).mid for _ in range(2))
        it.client.loop_write()
        it.say(b"\x40\x02" + one.to_bytes(2, "big"), 2 * period - 1)
        assert it.client.loop_misc() == MQTTErrorCode.MQTT_ERR_SUCCESS
        it.client.loop_write()
        heard = b""
        while not heard.endswith(b"\xc0\x00"):
            heard += it.peer.recv(1000)
        it.say(b"\xd0\x00\x40\x02" + two.to_bytes(2, "big"), 2 * period)
    assert it.client.is_connected()
    it.peer.close()


def test_what_is_no_acknowledgement_is_left_to_paho(scripted_socket):
    it = Acknowledging(*scripted_socket)
    it.peer.sendall(b"\x40\x01\x00")
    code = MQTTErrorCode.MQTT_ERR_SUCCESS
    while code == MQTTErrorCode.MQTT_ERR_SUCCESS:
        code = it.client.loop_read()
    assert code == MQTTErrorCode.MQTT_ERR_PROTOCOL
    it.peer.close()


def test_a_reason_in_mqtt_3_1_1_is_no_acknowledgement(scripted_socket):
    """MQTT 3.1.1 §3.4.1: the remaining length of a PUBACK is 2."""
    it = Acknowledging(*scripted_socket, MQTTProtocolVersion.MQTTv311)
    it.say(b"\x40\x02\x00\x01", 1)
    it.peer.sendall(b"\x40\x03\x00\x02\x10")
    code = MQTTErrorCode.MQTT_ERR_SUCCESS
    while code == MQTTErrorCode.MQTT_ERR_SUCCESS and len(it.told) < 2:
        code = it.client.loop_read()
    assert code == MQTTErrorCode.MQTT_ERR_PROTOCOL
    assert it.told == [(1, 0, False)]
    it.peer.close()


def test_what_a_callback_raises_does_not_have_an_acknowledgement_told_twice(scripted_socket):
    it = Acknowledging(*scripted_socket)
    told = []

    def faulty(_client, _data, mid, _reason, _properties):
        told.append(mid)
        raise TypeError("a defect of whoever listens")

    it.client.on_publish = faulty
    it.peer.sendall(b"\x40\x02\x00\x02")
    it.peer.shutdown(socket.SHUT_WR)
    raised, code = "", MQTTErrorCode.MQTT_ERR_SUCCESS
    while not raised and code == MQTTErrorCode.MQTT_ERR_SUCCESS:
        try:
            code = it.client.loop_read()
        except TypeError as error:
            raised = str(error)
    assert raised == "a defect of whoever listens"
    assert told == [2]
    it.peer.close()


def test_a_goodbye_waits_behind_what_the_socket_does_not_take_yet(scripted_socket):
    """Else the broker takes us for lost, and tells everybody so (MQTT 5.0, 3.14.4)."""
    it = Acknowledging(*scripted_socket)
    it.client.publish("a/b", 8_000_000 * b"x", qos=1)
    for _ in range(20):
        it.client.publish("a/b", 50_000 * b"x", qos=1)
    it.client.loop_write()
    assert it.client.want_write()
    read = bytearray()

    def broker():
        while part := it.peer.recv(65_536):
            read.extend(part)
        it.peer.close()

    reading = threading.Thread(target=broker)
    reading.start()
    it.client.see_off(30)
    reading.join()
    assert read.endswith(b"x\xe0\x00")
    assert it.client.socket() is None


def test_nobody_who_reads_nothing_is_waited_for_longer_than_was_said(scripted_socket):
    it = Acknowledging(*scripted_socket)
    it.client.publish("a/b", 8_000_000 * b"x", qos=1)
    it.client.loop_write()
    it.client.publish("a/b", 80_000 * b"x", qos=1)
    it.client.see_off(0.01)
    assert it.client.want_write()
    it.client.socket().close()
    it.peer.close()


def test_whoever_hangs_up_after_that_does_not_wait_once_more(scripted_socket, monkeypatch):
    """Closing has a patience of its own, which was the whole of it again."""
    it = Acknowledging(*scripted_socket)
    it.client.publish("a/b", 8_000_000 * b"x", qos=1)
    it.client.loop_write()
    it.client.publish("a/b", 80_000 * b"x", qos=1)
    it.client.see_off(0.01)
    asked = []
    monkeypatch.setattr(Wire, "_see_off", lambda _wire, end: asked.append(end))
    it.client.socket().close()
    assert asked == []
    it.peer.close()


def test_tls_that_must_write_before_it_can_read_has_not_lost_the_connection():
    class Renewing:
        """What TLS says while it renews its keys and the socket takes nothing."""

        def recv(self, _size):
            raise ssl.SSLWantWriteError

        def setsockopt(self, *_):
            pass

    wire = Wire(Renewing())
    wire.read_ahead()
    assert not wire.pending()
    with pytest.raises(ssl.SSLWantWriteError):  # paho knows what to do
        wire.recv(1)


def test_without_a_connection_there_is_nobody_to_see_off():
    client = Client(CallbackAPIVersion.VERSION2, "wire", protocol=MQTTProtocolVersion.MQTTv5)
    client.see_off(30)
    assert client.socket() is None
