"""What an edge node sends when it connects, byte by byte: rules of Eclipse Sparkplug 3.0, by their ids.

The other rules are tested at a real broker, in tests/system/test_sparkplug.py and test_sparkplug_host.py.
"""

import contextlib
import threading
import time

import pytest
from scripted import DISCONNECT, PUBACK, PUBLISH, RECEIVE_MAXIMUM, Broker, HungUp, Setup

from capture.publish.settings import SparkplugSettings
from capture.publish.sparkplug import delivery
from capture.publish.sparkplug.node import asks_for_rebirth
from capture.publish.sparkplug.numbers import BirthNumbers
from capture.publish.sparkplug.sample import STALE
from capture.publish.sparkplug.schema import Payload

NODE = SparkplugSettings(group="sawmill", node="bench-1", primary_host="")
SESSION_EXPIRY = 0x11  # MQTT 5.0, 3.1.2.11.2


class Watching:
    """A broker that accepts, acknowledges everything, and keeps what came on each connection."""

    def __init__(self, *, hang_up_after=None):
        self.connections = []
        self._hang_up_after = hang_up_after

    def __call__(self, session):
        session.take_connect()
        messages = []
        self.connections.append((session, messages))
        session.accept()
        limit = self._hang_up_after if len(self.connections) <= 2 else None
        while limit is None or len(messages) < limit:
            message = session.published()
            messages.append(message)
            if message.mid:
                session.acknowledge(message)


@pytest.fixture(params=["5", "3.1.1"])
def version(request):
    return request.param


@contextlib.contextmanager
def edge_at(script, folder, drafts, version):
    """Run a node with these readings at a broker that follows the script."""
    broker = Broker(script)
    it = Setup(folder, broker.port, sparkplug=NODE, version=version)
    it.store.append(drafts)
    it.thread.start()
    try:
        yield it
    finally:
        it.stop()
        broker.end()


@pytest.fixture(scope="module")
def connections(tmp_path_factory, drafts, wait_until):
    """By version, three connections of one node: the broker hangs up on two, after their births."""
    found = {}
    for version in ("5", "3.1.1"):
        watching = Watching(hang_up_after=2)
        with edge_at(watching, tmp_path_factory.mktemp("node"), drafts(3), version) as it:
            wait_until(lambda it=it: it.delivered() == 3)
        found[version] = watching.connections
    return found


@pytest.fixture
def connected(connections, version):
    return connections[version]


def number_in(payload):
    read = Payload.FromString(payload)
    return next(metric.long_value for metric in read.metrics if metric.name == "bdSeq")


@pytest.mark.parametrize("version", ["5"])
def test_principles_persistence_clean_session_50(connected):
    """Clean start, and a session that ends with the connection."""
    for session, _ in connected:
        assert session.level == 5
        assert session.clean
        assert dict(session.connect_properties).get(SESSION_EXPIRY, 0) == 0


@pytest.mark.parametrize("version", ["3.1.1"])
def test_principles_persistence_clean_session_311(connected):
    for session, _ in connected:
        assert session.level == 4
        assert session.clean


def test_message_flow_edge_node_birth_publish_will_message(connected):
    assert all(session.will for session, _ in connected)


def test_payloads_ndeath_will_message(connected):
    """What the broker holds as the will is the node's death, and no more than its number."""
    for session, _ in connected:
        read = Payload.FromString(session.will[1])
        assert [metric.name for metric in read.metrics] == ["bdSeq"]


def test_message_flow_edge_node_birth_publish_will_message_topic(connected):
    assert {session.will[0] for session, _ in connected} == {"spBv1.0/sawmill/NDEATH/bench-1"}


def test_message_flow_edge_node_birth_publish_will_message_payload(connected):
    """A Sparkplug payload, without a sequence number."""
    for session, _ in connected:
        assert not Payload.FromString(session.will[1]).HasField("seq")


def test_message_flow_edge_node_birth_publish_will_message_payload_bdseq(connected):
    """Int64, one up with each CONNECT; that it goes around at 255 is shown below."""
    metrics = [Payload.FromString(session.will[1]).metrics[0] for session, _ in connected]
    assert [(each.datatype, each.long_value) for each in metrics] == [(4, 0), (4, 1), (4, 2)]


def test_message_flow_edge_node_birth_publish_will_message_qos(connected):
    assert {session.will[2] for session, _ in connected} == {1}


def test_payloads_ndeath_will_message_qos(connected):
    assert {session.will[2] for session, _ in connected} == {1}


def test_message_flow_edge_node_birth_publish_will_message_will_retained(connected):
    assert {session.will[3] for session, _ in connected} == {False}


def test_payloads_ndeath_will_message_retain(connected):
    assert {session.will[3] for session, _ in connected} == {False}


def test_payloads_ndeath_bdseq(connected):
    """The will's number is that of the birth on the same connection."""
    for session, messages in connected:
        assert number_in(session.will[1]) == number_in(messages[0].payload)


def test_topics_nbirth_bdseq_increment(connected):
    """0 at first, one up with each CONNECT, and the same in will and birth."""
    wills = [number_in(session.will[1]) for session, _ in connected]
    births = [number_in(messages[0].payload) for _, messages in connected]
    assert wills == births == [0, 1, 2]


def test_message_flow_edge_node_ncmd_subscribe(connected):
    """To the node's commands at QoS 1, before its birth (a broker reads packets in order)."""
    for session, messages in connected:
        assert session.subscriptions == [("spBv1.0/sawmill/NCMD/bench-1", 1)]
        assert messages[0].topic == "spBv1.0/sawmill/NBIRTH/bench-1"


def test_message_flow_device_dcmd_subscribe(connected):
    """No metric of a device can be written, so there is nothing to subscribe to."""
    assert not [
        topic for session, _ in connected for topic, _ in session.subscriptions if "DCMD" in topic
    ]


def test_what_was_not_fenced_comes_again_as_history(connected):
    """Nothing had been acknowledged on the connections before."""
    _, messages = connected[2]
    data = [Payload.FromString(each.payload) for each in messages if "/DDATA/" in each.topic]
    assert [metric.double_value for each in data for metric in each.metrics] == [1.0, 2.0, 3.0]
    assert all(metric.is_historical for each in data for metric in each.metrics)
    behind = messages[[each.payload for each in messages].index(b"{}")]
    assert behind.topic == "benchtally/v1/sawmill/bench-1/fence/broker"


def test_history_that_new_values_have_overtaken_is_not_lost_with_the_connection(
    setup, draft, drafts, wait_until, monkeypatch
):
    """A fence behind a new value moves the cursor no further than the history before it."""
    monkeypatch.setattr(delivery, "_PAGE", 2)
    appended, enough, connections = threading.Event(), threading.Event(), []

    def until_fence(session):
        while not (message := session.published()).mid:
            connections[-1].append(message)
        return message

    def overtaken(session):
        session.take_connect()
        session.accept()
        connections.append([])
        first, second = until_fence(session), until_fence(session)  # 1, 2; 3, 4
        assert appended.wait(60)
        session.acknowledge(first)
        third = until_fence(session)  # the new value
        session.acknowledge(second)
        session.acknowledge(third)
        assert enough.wait(60)
        raise HungUp

    def whole(session):
        session.take_connect()
        session.accept()
        connections.append([])
        while True:
            session.acknowledge(until_fence(session))

    it = setup(overtaken, whole, entries=drafts(6), sparkplug=NODE)
    wait_until(lambda: connections and len(values_in(connections[0])) == 4)
    it.store.append([draft(value=7.0)])
    it.wake()
    appended.set()
    wait_until(lambda: it.delivered() == 4)
    enough.set()
    wait_until(lambda: it.delivered() == 7)
    it.stop()
    it.broker.end()
    first, second = map(values_in, connections)
    assert first[:5] == [1.0, 2.0, 3.0, 4.0, 7.0]
    assert second[-3:] == [5.0, 6.0, 7.0]


def values_in(messages):
    data = [Payload.FromString(each.payload) for each in messages if "/DDATA/" in each.topic]
    return [metric.double_value for each in data for metric in each.metrics]


def test_the_number_is_kept_over_restarts_and_goes_around(tmp_path):
    """No rule: a node may begin at 0, and a late will could then be taken for the new one's."""
    path = tmp_path / "bdseq"
    numbers = BirthNumbers(path)
    assert [numbers.take() for _ in range(257)] == [*range(256), 0]
    assert BirthNumbers(path).take() == 1
    path.write_text("no number")
    assert BirthNumbers(path).take() == 0
    assert BirthNumbers(tmp_path).take() == 0


def test_births_are_asked_for_and_given_no_more_often_than_that(
    setup, drafts, wait_until, monkeypatch
):
    """A command is answered at once; ten more right after that by one rebirth, after a while."""
    monkeypatch.setattr(delivery, "_REBIRTH_EVERY", 2.0)
    command = Payload()
    command.metrics.add(name="Node Control/Rebirth", datatype=11, boolean_value=True)
    births = []

    def script(session):
        session.take_connect()
        session.accept()
        while True:
            message = session.published()
            if "/NBIRTH/" in message.topic:
                births.append(time.monotonic())
                for _ in range({1: 1, 2: 10}.get(len(births), 0)):
                    session.give("spBv1.0/sawmill/NCMD/bench-1", command.SerializeToString())
            if message.mid:
                session.acknowledge(message)

    it = setup(script, entries=drafts(1), sparkplug=NODE)
    wait_until(lambda: len(births) == 3)
    it.stop()
    it.broker.end()
    first, second, third = births
    assert second - first < 1.5
    assert third - second > 1.0, "less than two seconds where the second was heard of late"


def test_no_more_fences_are_open_than_the_broker_allows(setup, drafts, wait_until, monkeypatch):
    """Receive Maximum 1 (MQTT 5.0, 3.3.4): the second batch waits for the first fence's answer."""
    monkeypatch.setattr(delivery, "_PAGE", 2)
    topics = []

    def script(session):
        session.take_connect()
        session.accept(properties=bytes([RECEIVE_MAXIMUM, 0, 1]))
        waited = False
        while True:
            message = session.published()
            topics.append(message.topic.split("/")[2 if message.mid == 0 else 4])
            if message.mid and not waited:
                waited = True
                session.nothing_more_comes()
            if message.mid:
                session.acknowledge(message)

    it = setup(script, entries=drafts(4), sparkplug=NODE, version="5")
    wait_until(lambda: it.delivered() == 4)
    it.stop()
    it.broker.end()
    assert topics.count("fence") == 2


def test_an_instrument_that_nobody_configured_is_born_for_its_history_only(
    setup, drafts, wait_until
):
    """It sent values once and has no state: nothing says that it is there."""
    messages = []

    def script(session):
        session.take_connect()
        session.accept()
        while True:
            messages.append(session.published())
            if messages[-1].mid:
                session.acknowledge(messages[-1])

    it = setup(script, entries=drafts(1), sparkplug=NODE)
    wait_until(lambda: it.delivered() == 1)
    it.stop()
    it.broker.end()
    said = [each for each in messages if each.topic.startswith("spBv1.0/")]
    kinds = [each.topic.split("/")[2] for each in said]
    assert kinds[:4] == ["NBIRTH", "DBIRTH", "DDATA", "DDEATH"]
    (metric,) = Payload.FromString(said[1].payload).metrics
    assert metric.properties.values[0].int_value == STALE


@pytest.mark.parametrize("wrong", [b"\xff", b"\x12\x05\x0a", b"{}"])
def test_a_command_that_is_no_payload_is_refused_in_words(wrong):
    with pytest.raises(ValueError, match="no Sparkplug payload"):
        asks_for_rebirth(wrong)


@pytest.mark.parametrize("value", [False, None])
def test_a_command_that_asks_for_nothing(value):
    payload = Payload()
    metric = payload.metrics.add(name="Node Control/Rebirth", datatype=11)
    if value is not None:
        metric.boolean_value = value
    assert not asks_for_rebirth(payload.SerializeToString())


@pytest.fixture(scope="module")
def goodbyes(tmp_path_factory, drafts, wait_until):
    """By version, what comes behind the first fence when a node is stopped: (topic or "", body)."""
    found = {"5": [], "3.1.1": []}

    def script(session):
        session.take_connect()
        session.accept()
        said = found["5" if session.level == 5 else "3.1.1"]
        fenced = False
        while True:
            first, body = session.packet()
            kind, qos = first >> 4, first >> 1 & 3
            if kind == DISCONNECT:
                said.append(("", body))
                raise HungUp
            if kind == PUBLISH:
                size = int.from_bytes(body[:2], "big")
                if fenced:
                    said.append((body[2 : 2 + size].decode(), body))
                if qos:
                    fenced = True
                    session.send(PUBACK, body[2 + size : 4 + size])

    for version in found:
        with edge_at(script, tmp_path_factory.mktemp("node"), drafts(1), version) as it:
            wait_until(lambda it=it: it.delivered() == 1)
    return found


def test_payloads_ndeath_will_message_publisher_disconnect_mqtt50(goodbyes):
    """The broker is told to publish the will all the same."""
    ((topic, body),) = goodbyes["5"]
    assert (topic, body[0]) == ("", 0x04)


def test_payloads_ndeath_will_message_publisher_disconnect_mqtt311(goodbyes):
    topics = [topic for topic, _ in goodbyes["3.1.1"]]
    assert topics == ["spBv1.0/sawmill/NDEATH/bench-1", ""]


def test_operational_behavior_edge_node_intentional_disconnect_ndeath(goodbyes):
    """Published by itself in MQTT 3.1.1; in MQTT 5 by the broker, as the rule for it demands."""
    said = goodbyes["3.1.1"]
    assert said[0][0] == "spBv1.0/sawmill/NDEATH/bench-1"


def test_operational_behavior_edge_node_intentional_disconnect_packet(goodbyes):
    """Nothing between the death and DISCONNECT."""
    said = goodbyes["3.1.1"]
    assert [topic for topic, _ in said][-2:] == ["spBv1.0/sawmill/NDEATH/bench-1", ""]
