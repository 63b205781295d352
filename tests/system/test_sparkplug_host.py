"""An edge node whose primary host, network or process goes away: deaths, births, and history.

A test that is named after a rule of Eclipse Sparkplug 3.0 has its assertion's id as its name.
"""

import os
import signal

import harness
import pytest
from proxy import Proxy
from sparkplug_bench import START_MS, Edge, HostApplication, samples


def readings_in(heard):
    """Give (id, device, value, historical) of all values in data, in the order they came."""
    return [
        (
            metric["properties"]["reading"][1],
            each.device,
            metric.get("double_value"),
            bool(metric.get("is_historical")),
        )
        for each in heard
        if each.kind == "DDATA"
        for metric in each.metrics
    ]


# ── the primary host ─────────────────────────────────────────────────────────────────────────────


class Waiting:
    """A node that waits for its host, that host, and another one at the same broker."""

    def __init__(self, rig):
        self.broker = rig.mosquitto()
        self.host = rig.own(HostApplication(self.broker.port))
        self.other = rig.own(HostApplication(self.broker.port, host="another-host"))
        edge = self.edge = rig.own(Edge(rig.folder, self.broker.port, host="plant-host"))
        edge.read("ohm", 1.0)
        edge.start("ohm")
        harness.wait_until(lambda: edge.reports and edge.reports[-1].paused, "it waits")
        self._nonsense = 0

    def has_heard_all(self):
        """Say something that nobody understands, and wait until the node has passed it over."""
        self._nonsense += 1
        self.host.say_state(online=None, timestamp=0, payload="ONLINE")
        harness.wait_until(
            lambda: self.edge.reports[-1].requests_refused == self._nonsense, "it is not understood"
        )

    def births(self):
        return [each for each in self.host.heard if each.kind == "NBIRTH"]


@pytest.fixture
def waiting(rig):
    return Waiting(rig)


def test_message_flow_edge_node_birth_publish_phid_wait(waiting):
    assert "plant-host" in waiting.edge.reports[-1].paused
    assert not waiting.host.heard
    waiting.host.say_state(online=True, timestamp=1000)
    waiting.host.wait_for("NBIRTH")
    waiting.host.wait_for("DBIRTH", "ohm")


def test_message_flow_edge_node_birth_publish_phid_wait_id(waiting):
    """That another host is there is nothing to this node."""
    waiting.other.say_state(online=True, timestamp=1000)
    waiting.has_heard_all()
    assert waiting.edge.reports[-1].paused
    assert not waiting.births()


def test_message_flow_edge_node_birth_publish_phid_wait_online(waiting):
    """What is no state, and a host that says that it is away, are waited through."""
    waiting.has_heard_all()
    waiting.host.say_state(online=False, timestamp=1000)
    waiting.host.say_state(online=True, timestamp=999)
    waiting.edge.read("ohm", 2.0)
    waiting.host.say_state(online=True, timestamp=1001)
    waiting.host.wait_for("NBIRTH")
    first = waiting.host.wait_for("DDATA", "ohm")
    # Both values are history: nothing was sent before the newest true state.
    assert [metric.get("is_historical") for metric in first.metrics] == [1, 1]


def test_message_flow_edge_node_birth_publish_phid_wait_timestamp(waiting):
    """What is older than the last word is not believed, on the next connection neither."""
    waiting.host.say_state(online=True, timestamp=2000)
    waiting.host.wait_for("DDATA", "ohm")
    waiting.host.say_state(online=False, timestamp=3000)
    waiting.host.wait_for("NDEATH")
    harness.wait_until(lambda: waiting.edge.reports[-1].paused, "it waits again")
    waiting.host.say_state(online=True, timestamp=2999)
    waiting.has_heard_all()
    assert len(waiting.births()) == 1
    waiting.host.say_state(online=True, timestamp=3000)
    waiting.host.wait_for("NBIRTH", count=2)


def test_message_flow_edge_node_birth_publish_phid_offline(waiting):
    """The host goes: the node's death, and all over again from CONNECT: the next bdSeq."""
    waiting.host.say_state(online=True, timestamp=1000)
    waiting.host.wait_for("DDATA", "ohm")
    waiting.host.say_state(online=False, timestamp=2000)
    death = waiting.host.wait_for("NDEATH")
    assert waiting.host.heard[-1] is death
    harness.wait_until(lambda: waiting.edge.reports[-1].paused, "it waits again")
    waiting.host.say_state(online=True, timestamp=3000)
    birth = waiting.host.wait_for("NBIRTH", count=2)
    assert birth.metric("bdSeq")["long_value"] == death.metric("bdSeq")["long_value"] + 1


def test_operational_behavior_edge_node_termination_host_offline(waiting):
    """What is read while the host is away is kept, and follows its return as history, in order."""
    waiting.host.say_state(online=True, timestamp=1000)
    waiting.host.wait_for("DDATA", "ohm")
    waiting.host.say_state(online=False, timestamp=2000)
    waiting.host.wait_for("NDEATH")
    harness.wait_until(lambda: waiting.edge.reports[-1].paused, "it waits again")
    missed = waiting.edge.read("ohm", 2.0, 3.0)
    waiting.has_heard_all()
    assert waiting.host.heard[-1].kind == "NDEATH", "nothing is sent meanwhile"
    waiting.host.say_state(online=True, timestamp=3000)
    waiting.host.wait(
        "history",
        lambda heard: (
            [(id_, old) for id_, *_, old in readings_in(heard)][-2:]
            == [(each, True) for each in missed]
        ),
    )


def test_operational_behavior_edge_node_termination_host_offline_timestamp(waiting):
    """An older word of its going, come late, is passed over."""
    waiting.host.say_state(online=True, timestamp=1000)
    waiting.host.wait_for("DDATA", "ohm")
    waiting.host.say_state(online=False, timestamp=999)
    waiting.edge.read("ohm", 2.0)
    expected = ("ohm", 2.0, START_MS + 2000)
    waiting.host.wait("2.0", lambda heard: expected in samples(heard, historical=False))
    assert not [each for each in waiting.host.heard if each.kind == "NDEATH"]


# ── the network ──────────────────────────────────────────────────────────────────────────────────


def test_what_is_read_while_the_network_is_away_follows_as_history_in_order(rig):
    """The will, births with the newest values, history, and then what is new."""
    broker = rig.mosquitto()
    host = rig.own(HostApplication(broker.port))
    network = rig.own(Proxy(broker.port))
    edge = rig.own(Edge(rig.folder, network.port))
    edge.start("ohm")
    first = edge.read("ohm", 1.0, 2.0)
    host.wait("two values", lambda heard: len(readings_in(heard)) == 2)
    harness.wait_until(lambda: edge.delivered() == 2, "their fence")
    network.refuse()
    death = host.wait_for("NDEATH")
    missed = edge.read("ohm", 3.0)
    missed += edge.read("ohm", None, status="above-range", bound={"side": "above", "value": 20.0})
    missed += edge.read("pulse", 1.1e-4, quantity="pulse_time", unit="s", keyed=True)
    missed += edge.read("ohm", 4.0)
    before = len(host.heard)
    network.accept()
    host.wait("history", lambda heard: len(readings_in(heard)) == 6)
    (new,) = edge.read("ohm", 5.0)
    host.wait("what is new", lambda heard: len(readings_in(heard)) == 7)
    after = host.heard[before:]
    assert [each.kind for each in after[:3]] == ["NBIRTH", "DBIRTH", "DBIRTH"]
    assert after[0].metric("bdSeq")["long_value"] > death.metric("bdSeq")["long_value"]
    assert next(each for each in after if each.device == "ohm").value("resistance") == 4.0
    found = readings_in(host.heard)
    assert {id_ for id_, *_ in found[:2]} == set(first)
    told = [(device, value, old) for id_, device, value, old in found if id_ in missed]
    assert [each for each in told if each[0] == "ohm"] == [
        ("ohm", 3.0, True), ("ohm", None, True), ("ohm", 4.0, True)
    ]  # fmt: skip
    assert [each for each in told if each[0] == "pulse"] == [("pulse", 1.1e-4, True)]
    assert found[-1] == (new, "ohm", 5.0, False)


# ── a whole bench ────────────────────────────────────────────────────────────────────────────────


def test_a_killed_publisher_dies_for_the_host_and_nothing_is_missing_afterwards(rig):
    """The will, the next birth with the next bdSeq, and every reading with its own value, in order."""
    broker = rig.mosquitto()
    host = rig.own(HostApplication(broker.port))
    counter, lines = rig.counter("line", 50)
    rig.configure(broker.port, lines, more="[broker.sparkplug]\n")
    daemon = rig.daemon()
    host.wait("a value", lambda heard: len(samples(heard, historical=False)) > 20)
    os.kill(daemon.publisher(), signal.SIGKILL)
    death = host.wait_for("NDEATH")
    assert (death.qos, death.retained) == (1, False)
    birth = host.wait_for("NBIRTH", count=2)
    first = death.metric("bdSeq")["long_value"]
    assert birth.metric("bdSeq")["long_value"] == first + 1
    last = counter.hand("stop").rpartition(" ")[2]

    def committed():
        return [each.json() for each in rig.entries() if each.kind == "reading"]

    harness.wait_until(lambda: committed()[-1]["digits"] == last, f"line {last} in the journal")
    everything = {each["id"]: ("line", each["value"]) for each in committed()}

    def told(heard):
        return {id_: (device, value) for id_, device, value, _ in readings_in(heard)}

    host.wait("everything", lambda heard: everything.keys() <= told(heard).keys())
    assert told(host.heard) == everything
    place = {id_: n for n, id_ in enumerate(everything)}
    second = next(n for n, each in enumerate(host.heard) if each is birth)
    for life in (host.heard[:second], host.heard[second:]):
        for historical in (True, False):
            order = [place[id_] for id_, *_, old in readings_in(life) if old is historical]
            assert order == sorted(order)
    assert daemon.stop() == 0, daemon.said()
    host.wait_for("NDEATH", count=2)
    assert host.heard[-1].kind == "NDEATH"
