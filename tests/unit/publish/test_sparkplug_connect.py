"""What an edge node sends when it connects, byte by byte: rules of Eclipse Sparkplug 3.0, by their ids.

The other rules are tested at a real broker, in tests/system/test_sparkplug.py.
"""

import time

import pytest
from scripted import DISCONNECT, RECEIVE_MAXIMUM, HungUp

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
        limit = self._hang_up_after if len(self.connections) == 1 else None
        while limit is None or len(messages) < limit:
            message = session.published()
            messages.append(message)
            if message.mid:
                session.acknowledge(message)


@pytest.fixture(params=["5", "3.1.1"])
def version(request):
    return request.param


@pytest.fixture
def connected(setup, drafts, version, wait_until):
    """Two connections of one node: the broker hangs up on the first after its births."""
    watching = Watching(hang_up_after=2)
    it = setup(watching, entries=drafts(3), sparkplug=NODE, version=version)
    wait_until(lambda: it.delivered() == 3)
    it.stop()
    it.broker.end()
    return watching.connections


def number_in(payload):
    read = Payload.FromString(payload)
    return next(metric.long_value for metric in read.metrics if metric.name == "bdSeq")


def test_principles_persistence_clean_session(connected, version):
    """-50 and -311: clean start, no session expiry; clean session."""
    for session, _ in connected:
        assert session.level == (5 if version == "5" else 4)
        assert session.clean
        assert SESSION_EXPIRY not in dict(session.connect_properties)


def test_message_flow_edge_node_birth_publish_will_message(connected):
    """The will is the node's death: its topic, QoS 1, not retained, one metric and no more."""
    for session, _ in connected:
        topic, will, qos, retained = session.will
        assert topic == "spBv1.0/sawmill/NDEATH/bench-1"
        assert (qos, retained) == (1, False)
        read = Payload.FromString(will)
        assert [metric.name for metric in read.metrics] == ["bdSeq"]
        assert [metric.datatype for metric in read.metrics] == [4]
        assert not read.HasField("seq")


def test_topics_nbirth_bdseq_increment(connected):
    """0 at first, one up with each CONNECT, and the same in will and birth."""
    wills = [number_in(session.will[1]) for session, _ in connected]
    births = [number_in(messages[0].payload) for _, messages in connected]
    assert wills == births == [0, 1]


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
    """Nothing had been acknowledged on the first connection."""
    _, messages = connected[1]
    data = [Payload.FromString(each.payload) for each in messages if "/DDATA/" in each.topic]
    assert [metric.double_value for each in data for metric in each.metrics] == [1.0, 2.0, 3.0]
    assert all(metric.is_historical for each in data for metric in each.metrics)
    behind = messages[[each.payload for each in messages].index(b"{}")]
    assert behind.topic == "benchtally/v1/sawmill/bench-1/fence/broker"


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
    monkeypatch.setattr(delivery, "_REBIRTH_EVERY", 1.0)
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
    assert second - first < 0.9
    assert third - second > 0.9


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


def test_payloads_ndeath_will_message_publisher_disconnect_mqtt50(setup, drafts, wait_until):
    """The broker is told to publish the will all the same."""
    said = []

    def script(session):
        session.take_connect()
        session.accept()
        while True:
            first, body = session.packet()
            if first >> 4 == DISCONNECT:
                said.append(body)
                raise HungUp
            if first >> 4 == 3 and first >> 1 & 3:
                size = int.from_bytes(body[:2], "big")
                session.send(4, body[2 + size : 4 + size])

    it = setup(script, entries=drafts(1), sparkplug=NODE, version="5")
    wait_until(lambda: it.delivered() == 1)
    it.stop()
    it.broker.end()
    assert [body[0] for body in said] == [0x04]
