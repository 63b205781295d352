"""An edge node of Eclipse Sparkplug 3.0 at a real mosquitto: each rule by the id of its assertion.

A test's name is the assertion's id with underscores and small letters; ids and rules are those of
chapters 4 to 6 of the specification. One file, since all are read off the same story. What a node
sends as it connects is looked at in
tests/unit/publish/test_sparkplug_connect.py, the primary host and faults in test_sparkplug_host.py. Payloads are read by a reader of the tests' own, by `protoc --decode_raw` and by
pysparkplug, a library of others.
"""

import json
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from rig import Rig
from sparkplug_bench import START_MS, Edge, HostApplication, samples

from capture.publish.sparkplug.node import REBIRTH
from capture.publish.sparkplug.schema import BOOLEAN, Payload

BIRTHS_AND_DATA = ("NBIRTH", "DBIRTH", "DDATA", "DDEATH")
DOUBLE, INT64, INT32, STRING = 10, 4, 3, 12


def rebirth():
    payload = Payload(timestamp=START_MS)
    payload.metrics.add(name=REBIRTH, datatype=BOOLEAN, boolean_value=True)
    return payload.SerializeToString()


class Story:
    """What a host heard of one node, from before its first birth to its death."""

    def __init__(self, rig, version):
        broker = rig.mosquitto()
        self.host = rig.own(HostApplication(broker.port))
        edge = self.edge = rig.own(Edge(rig.folder, broker.port, version=version))
        # Before: three readings of a meter, one above range, and one that a person keyed.
        edge.read("ohm", 1.0, 2.0)
        edge.read("ohm", None, status="above-range", bound={"side": "above", "value": 20.0})
        edge.read("pulse", 1.1e-4, quantity="pulse_time", unit="s", keyed=True)
        edge.start("ohm")
        self.host.wait("history", lambda heard: len(samples(heard, historical=True)) == 4)
        # New values, a new metric, another meter.
        self.live = edge.read("ohm", 3.0, 4.0, 5.0)
        self.host.wait("new values", lambda heard: len(samples(heard, historical=False)) == 3)
        edge.read("ohm", 0.06, quantity="inductance", unit="H")
        edge.state("lcr", "running")
        edge.read("lcr", 0.061, quantity="inductance", unit="H")
        self.host.wait_for("DDATA", "lcr")
        # The meter is unplugged and comes back.
        edge.state("ohm", "waiting")
        self.host.wait_for("DDEATH", "ohm")
        edge.state("ohm", "running")
        self.host.wait("a birth again", lambda heard: heard[-1].kind == "DBIRTH" and heard[-1])
        self.before_rebirth = len(self.host.heard)
        self.host.command(b"no payload")
        self.host.command(rebirth())
        self.host.wait_for("NBIRTH", count=2)
        self.host.wait_for("DBIRTH", "pulse", count=2)
        edge.read("ohm", 6.0)
        self.host.wait(
            "6.0", lambda heard: 6.0 in [v for _, v, _ in samples(heard, historical=False)]
        )
        edge.stop()
        self.host.wait_for("NDEATH")
        self.heard = list(self.host.heard)
        self.version = version

    def of(self, *kinds):
        return [each for each in self.heard if each.kind in kinds]


@pytest.fixture(scope="module", params=["5", "3.1.1"])
def story(request, tmp_path_factory):
    rig = Rig(tmp_path_factory.mktemp("story"))
    try:
        yield Story(rig, request.param)
    finally:
        rig.close()


# ── topics, quality of service ───────────────────────────────────────────────────────────────────


def test_topics_nbirth_mqtt(story):
    assert [(each.qos, each.retained) for each in story.of("NBIRTH")] == [(0, False)] * 2


def test_topics_dbirth_mqtt(story):
    assert {(each.qos, each.retained) for each in story.of("DBIRTH")} == {(0, False)}


def test_topics_ddata_mqtt(story):
    assert {(each.qos, each.retained) for each in story.of("DDATA")} == {(0, False)}


def test_topics_ddeath_mqtt(story):
    assert {(each.qos, each.retained) for each in story.of("DDEATH")} == {(0, False)}


# ── births ───────────────────────────────────────────────────────────────────────────────────────


def test_topics_nbirth_seq_num(story):
    """The specification is at odds with itself (0 in chapter 4, 0 to 255 in 5 and 6): 0 fits both."""
    assert [each.seq for each in story.of("NBIRTH")] == [0, 0]


def test_topics_nbirth_metric_reqs(story):
    """Everything that the node's own messages will ever hold is in its birth; it sends no NDATA."""
    names = {each["name"] for each in story.of("NBIRTH")[0].metrics}
    assert names == {"bdSeq", "Node Control/Rebirth", "Properties/Software"}
    assert not story.of("NDATA")


def test_topics_nbirth_rebirth_metric(story):
    for birth in story.of("NBIRTH"):
        metric = birth.metric("Node Control/Rebirth")
        assert (metric["datatype"], metric["boolean_value"]) == (11, 0)


def test_operational_behavior_data_commands_rebirth_name(story):
    assert all(each.metric("Node Control/Rebirth") for each in story.of("NBIRTH"))


def test_operational_behavior_data_commands_rebirth_datatype(story):
    kinds = {each.metric("Node Control/Rebirth")["datatype"] for each in story.of("NBIRTH")}
    assert kinds == {11}


def test_operational_behavior_data_commands_rebirth_value(story):
    values = {each.metric("Node Control/Rebirth")["boolean_value"] for each in story.of("NBIRTH")}
    assert values == {0}


def test_operational_behavior_data_commands_rebirth_name_aliases(story):
    assert "alias" not in story.of("NBIRTH")[0].metric("Node Control/Rebirth")


def test_topics_nbirth_bdseq_matching(story):
    """Birth and death of one connection hold one number, also after a rebirth."""
    numbers = {each.metric("bdSeq")["long_value"] for each in story.of("NBIRTH", "NDEATH")}
    assert numbers == {0}
    assert {each.metric("bdSeq")["datatype"] for each in story.of("NBIRTH", "NDEATH")} == {INT64}


def test_principles_birth_certificates_order(story):
    assert story.heard[0].kind == "NBIRTH"


def test_payloads_dbirth_order(story):
    """All devices that are there are born before any data."""
    first = next(n for n, each in enumerate(story.heard) if each.kind == "DDATA")
    born = [each.device for each in story.heard[:first] if each.kind == "DBIRTH"]
    assert set(born) == {"ohm", "pulse"}


def test_payloads_ddata_order(story):
    """No metric is in data before a birth of its device has named it."""
    known = set()
    for each in story.heard:
        if each.kind == "NBIRTH":
            known.clear()
        elif each.kind == "DBIRTH":
            known |= {metric["alias"] for metric in each.metrics}
        elif each.kind == "DDATA":
            assert {metric["alias"] for metric in each.metrics} <= known


def test_operational_behavior_data_publish_dbirth(story):
    """A metric that turns up later gives a new birth of its device, with all of its metrics."""
    births = [each for each in story.of("DBIRTH") if each.device == "ohm"]
    names = [{metric["name"] for metric in each.metrics} for each in births]
    assert names[0] == {"resistance"}
    assert names[1] == {"resistance", "inductance"}


def test_operational_behavior_data_publish_dbirth_values(story):
    """A birth holds current values; where there is no number it says so and holds none."""
    births = [each for each in story.of("DBIRTH") if each.device == "ohm"]
    (first,) = births[0].metrics
    assert first["is_null"] == 1
    assert "double_value" not in first
    assert births[1].value("resistance") == 5.0


def test_payloads_name_birth_data_requirement(story):
    """Every metric has the time at which it was taken."""
    births = [each for each in story.of("DBIRTH") if each.device == "ohm"]
    assert births[0].metrics[0]["timestamp"] == START_MS + 3000
    assert all(
        "timestamp" in metric for each in story.of("DBIRTH", "DDATA") for metric in each.metrics
    )
    assert samples(story.heard, historical=False)[0] == ("ohm", 3.0, START_MS + 5000)


def test_payloads_timestamp_in_utc(story):
    """The payload's own time is that of sending."""
    now = time.time() * 1000
    for each in story.of(*BIRTHS_AND_DATA):
        assert now - 120_000 < each.payload["timestamp"] <= now


# ── metrics ──────────────────────────────────────────────────────────────────────────────────────


def test_payloads_alias_uniqueness(story):
    """One alias, one metric of one device, over the whole node and its life."""
    found = {}
    for each in story.of("DBIRTH"):
        for metric in each.metrics:
            found.setdefault(metric["alias"], set()).add((each.device, metric["name"]))
    assert len(found) == 4
    assert all(len(names) == 1 for names in found.values())


def test_payloads_alias_birth_requirement(story):
    assert all(
        "name" in metric and "alias" in metric
        for each in story.of("DBIRTH")
        for metric in each.metrics
    )


def test_payloads_alias_data_cmd_requirement(story):
    assert all(
        "name" not in metric and "alias" in metric
        for each in story.of("DDATA")
        for metric in each.metrics
    )


def test_payloads_metric_datatype_req(story):
    assert {metric["datatype"] for each in story.of("DBIRTH") for metric in each.metrics} == {
        DOUBLE
    }


def test_payloads_metric_datatype_not_req(story):
    assert not [
        metric for each in story.of("DDATA") for metric in each.metrics if "datatype" in metric
    ]


def test_payloads_propertyset_quality_value_type(story):
    kinds = {metric["properties"]["Quality"][0] for metric in _with_quality(story)}
    assert kinds == {INT32}


def test_payloads_propertyset_quality_value_value(story):
    """0 bad, 192 good, 500 stale; a bound is no good number, and is told beside it."""
    assert {metric["properties"]["Quality"][1] for metric in _with_quality(story)} == {0, 192}
    (above,) = (
        metric for each in story.of("DDATA") for metric in each.metrics if metric.get("is_null")
    )
    assert above["properties"]["Quality"] == (INT32, 0)
    assert above["properties"]["status"] == (STRING, "above-range")
    assert above["properties"]["bound"] == (DOUBLE, 20.0)


def test_payloads_propertyset_keys_array_size(story):
    """As many values as keys: the reader insists on it for each of these."""
    assert all(metric["properties"] for each in story.of("DBIRTH") for metric in each.metrics)


def test_payloads_metric_propertyvalue_type_req(story):
    """Every property in a birth says what it is."""
    kinds = {
        kind
        for each in story.of("DBIRTH")
        for metric in each.metrics
        for kind, _ in metric["properties"].values()
    }
    assert kinds == {INT32, DOUBLE, STRING}


def test_the_unit_is_in_births_as_a_ucum_code(story):
    """No rule: the standard names no property for the unit; engUnit is common practice, no source."""
    units = {
        metric["name"]: metric["properties"]["engUnit"]
        for each in story.of("DBIRTH")
        for metric in each.metrics
    }
    assert units == {
        "resistance": (STRING, "Ohm"),
        "inductance": (STRING, "H"),
        "pulse_time": (STRING, "s"),
    }


def _with_quality(story):
    found = [metric for each in story.of("DBIRTH", "DDATA") for metric in each.metrics]
    return [metric for metric in found if "Quality" in metric["properties"]]


# ── order ────────────────────────────────────────────────────────────────────────────────────────


def test_payloads_sequence_num_incrementing(story):
    """One up with each message of node and devices, around at 256, from 0 at each node's birth."""
    expected = None
    for each in story.of(*BIRTHS_AND_DATA):
        expected = 0 if each.kind == "NBIRTH" else (expected + 1) % 256
        assert each.seq == expected


def test_payloads_sequence_num_always_included(story):
    assert all(0 <= each.seq <= 255 for each in story.of(*BIRTHS_AND_DATA))


def test_payloads_sequence_num_zero_nbirth(story):
    assert {each.seq for each in story.of("NBIRTH")} == {0}


def test_operational_behavior_data_publish_dbirth_order(story):
    """What is not history is in the order in which it was taken, in each payload and per device."""
    for each in story.of("DBIRTH", "DDATA"):
        times = [each["timestamp"] for each in each.metrics if not each.get("is_historical")]
        assert times == sorted(times)
    for device in ("ohm", "lcr"):
        times = [at for each, _, at in samples(story.heard, historical=False) if each == device]
        assert times == sorted(times)


def test_history_is_flagged_and_complete(story):
    """What was committed before the births, keyed values too; nothing else is history."""
    values = [(device, value) for device, value, _ in samples(story.heard, historical=True)]
    assert values == [("ohm", 1.0), ("ohm", 2.0), ("ohm", None), ("pulse", 1.1e-4)]
    live = [value for device, value, _ in samples(story.heard, historical=False) if device == "ohm"]
    assert live == [3.0, 4.0, 5.0, 0.06, 6.0]


def test_a_value_names_the_reading_that_it_is(story):
    named = [
        metric["properties"]["reading"][1] for each in story.of("DDATA") for metric in each.metrics
    ]
    assert set(story.live) <= set(named)
    assert len(named) == len(set(named))


# ── commands ─────────────────────────────────────────────────────────────────────────────────────


def test_operational_behavior_data_commands_rebirth_action_1(story):
    """No data between the command's taking and the births: the next message is the node's birth."""
    assert story.heard[story.before_rebirth].kind == "NBIRTH"


def test_operational_behavior_data_commands_rebirth_action_2(story):
    """The node, then every device that is there."""
    again = story.heard[story.before_rebirth :]
    assert [each.kind for each in again[:4]] == ["NBIRTH", "DBIRTH", "DBIRTH", "DBIRTH"]
    assert {each.device for each in again[1:4]} == {"ohm", "lcr", "pulse"}


def test_operational_behavior_data_commands_rebirth_action_3(story):
    """The same bdSeq: the connection, and with it the will, is the same."""
    one, two = story.of("NBIRTH")
    assert one.metric("bdSeq")["long_value"] == two.metric("bdSeq")["long_value"]


# ── deaths ───────────────────────────────────────────────────────────────────────────────────────


def test_operational_behavior_device_ddeath(story):
    """A meter that is gone is dead, with the next sequence number; back again, it is born again."""
    at = next(n for n, each in enumerate(story.heard) if each.kind == "DDEATH")
    assert story.heard[at].device == "ohm"
    assert story.heard[at].seq == (story.heard[at - 1].seq + 1) % 256
    assert story.heard[at + 1].kind == "DBIRTH"


def test_topics_ndeath_payload(story):
    """One metric, bdSeq, and nothing else."""
    (death,) = story.of("NDEATH")
    assert [metric["name"] for metric in death.metrics] == ["bdSeq"]


def test_topics_ndeath_seq(story):
    (death,) = story.of("NDEATH")
    assert "seq" not in death.payload


def test_payloads_ndeath_will_message_publisher(story):
    """A stop on purpose tells the death: MQTT 3.1.1 before DISCONNECT, MQTT 5 by reason 0x04."""
    assert story.heard[-1].kind == "NDEATH"
    assert (story.heard[-1].qos, story.heard[-1].retained) == (1, False)


# ── readers that are not ours ────────────────────────────────────────────────────────────────────


def test_protoc_reads_the_same(story):
    """Debian's protoc, without any description: the numbers of fields and their values."""
    program = shutil.which("protoc")
    assert program, "protoc is not installed; `make test` installs it"
    birth = next(each for each in story.of("DBIRTH") if each.device == "ohm")
    done = subprocess.run(
        [program, "--decode_raw"], input=birth.raw, capture_output=True, check=True
    )
    said = done.stdout.decode()
    assert re.search(
        r'^2 \{\n  1: "resistance"\n  2: \d+\n  3: \d+\n  4: 10\n  7: 1\n', said, re.MULTILINE
    ), said
    assert '1: "Quality"' in said
    assert re.search(rf"^3: {birth.seq}$", said, re.MULTILINE)


def test_another_library_reads_the_same(story):
    """pysparkplug (Apache-2.0), apart from this environment: it resolves aliases by the birth."""
    peer = Path(sys.prefix) / "peer"
    assert peer.is_dir(), (
        "pysparkplug is not installed beside this environment; `make test` does it"
    )
    births = [each for each in story.of("DBIRTH") if each.device == "ohm"]
    data = [
        each
        for each in story.heard[: story.before_rebirth]
        if (each.kind, each.device) == ("DDATA", "ohm")
    ]
    given = {"birth": births[1].raw.hex(), "data": [each.raw.hex() for each in data]}
    done = subprocess.run(
        [sys.executable, "-P", Path(__file__).parent / "sparkplug_peer.py", peer],
        input=json.dumps(given), capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    read = json.loads(done.stdout)
    own = [
        [
            metric["alias"],
            metric.get("double_value"),
            metric["timestamp"],
            bool(metric.get("is_historical")),
        ]
        for each in data
        for metric in each.metrics
    ]
    assert [each[1:] for each in read] == [each[1:] for each in own]
    assert {each[0] for each in read} == {"resistance", "inductance"}
