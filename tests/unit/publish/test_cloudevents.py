"""CloudEvents 1.0 on the wire: read back byte by byte, and checked by the official SDK.

CloudEvents MQTT protocol binding 1.0.2, §3.1 (binary mode): every attribute is a user property under
its own name, ``datacontenttype`` is the content type, the payload is the data.
"""

import json
import uuid
from datetime import UTC, datetime

import pytest
from cloudevents.core.v1.event import CloudEvent
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from scripted import CONTENT_TYPE, PAYLOAD_FORMAT, USER_PROPERTY, read_properties

from capture.journal import JournalReader, Row, Store
from capture.model import Gap, Tag, new_id
from capture.model.reading import ReadingTag
from capture.model.result import ResultRecord
from capture.publish.cloudevents import CloudEvents

AT = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


def attributes_of(properties):
    """The attributes as a receiver reads them from MQTT."""
    found = {value[0]: value[1] for kind, value in properties if kind == USER_PROPERTY}
    found["datacontenttype"] = dict(properties)[CONTENT_TYPE]
    assert len(found) == len(properties) - 1, "nothing twice, and the payload format besides"
    assert (PAYLOAD_FORMAT, 1) in properties
    return found


def checked_by_the_sdk(attributes, payload):
    """Make the event with the official SDK, which refuses what the specification does not allow."""
    made = {**attributes, "time": datetime.fromisoformat(attributes["time"])}
    return CloudEvent(made, json.loads(payload))


@pytest.fixture
def rows(tmp_path, draft):
    """One entry of every kind that is published."""
    reading = draft(tag=ReadingTag(machine="FAN-07"))
    common = {"site": "sawmill", "bench": "bench-1"}
    tag = Tag(
        id=new_id(), instrument="ohm-1", reading=reading.id, time=AT, operator="winder",
        machine="FAN-07", note='says "time":"2020-01-01T00:00:00.000000Z"', **common,
    )  # fmt: skip
    gap = Gap(
        id=new_id(), instrument="ohm-1", begin=AT.replace(hour=7), end=AT, reason="disk", **common
    )
    result = ResultRecord(
        id=new_id(), job=uuid.uuid4(), time=AT, name="mean", value=1.0, unit="Ohm", formula="mean",
        **common,
    )  # fmt: skip
    store = Store(tmp_path / "j")
    store.append([reading, tag, gap, result])
    store.close()
    reader = JournalReader(tmp_path / "j")
    yield {row.kind: row for row in reader.after(0, 10)}
    reader.close()


@pytest.mark.parametrize(
    ("kind", "source", "subject"),
    [
        ("reading", "urn:benchtally:sawmill:bench-1:ohm-1", "resistance"),
        ("tag", "urn:benchtally:sawmill:bench-1:ohm-1", None),
        ("gap", "urn:benchtally:sawmill:bench-1:ohm-1", None),
        ("result", "urn:benchtally:sawmill:bench-1", "the job"),
    ],
)
def test_every_kind_of_entry_is_a_valid_event(rows, kind, source, subject):
    row = rows[kind]
    packed = CloudEvents("sawmill", "bench-1").properties(row).pack()
    properties, rest = read_properties(packed)
    assert rest == b""
    attributes = attributes_of(properties)
    event = checked_by_the_sdk(attributes, row.body)
    assert event.get_specversion() == "1.0"
    assert event.get_id() == str(row.id)
    assert event.get_source() == source
    assert event.get_type() == f"benchtally.{kind}.v1"
    assert event.get_datacontenttype() == "application/json"
    assert event.get_dataschema() == f"urn:benchtally:schema:{kind}:1"
    assert event.get_time() == AT
    assert event.get_subject() == (row.subject if subject == "the job" else subject)
    body = json.loads(row.body)
    assert attributes["time"] == body.get("time", body.get("end"))
    assert set(attributes) <= {
        "specversion", "id", "source", "type", "datacontenttype", "dataschema", "time", "subject",
    }  # fmt: skip


def test_paho_reads_and_packs_them_the_same(rows):
    """The library's own codec, given the same attributes one by one, agrees byte for byte."""
    row = rows["reading"]
    packed = CloudEvents("sawmill", "bench-1").properties(row).pack()
    theirs = Properties(PacketTypes.PUBLISH)
    theirs.unpack(packed)
    again = Properties(PacketTypes.PUBLISH)
    again.PayloadFormatIndicator = 1
    again.ContentType = "application/json"
    again.UserProperty = theirs.UserProperty
    assert again.pack() == packed


def test_the_static_part_is_packed_once_for_a_topic_and_the_rest_is_each_entrys_own(rows):
    events = CloudEvents("sawmill", "bench-1")
    row = rows["reading"]
    packed = []
    for n in range(300):
        body = row.body.replace(str(row.id).encode(), str(uuid.UUID(int=n)).encode())
        one = Row(n, n.to_bytes(16), row.kind, row.instrument, row.subject, body)
        packed.append(attributes_of(read_properties(events.properties(one).pack())[0]))
    assert len(events._static) == 1
    assert len({each["id"] for each in packed}) == 300


def test_jobs_without_end_take_no_memory_without_end(rows):
    events = CloudEvents("sawmill", "bench-1")
    row = rows["result"]
    for _ in range(5000):
        events.properties(Row(1, row.key, "result", "", str(uuid.uuid4()), row.body))
    assert len(events._static) <= 4096


def test_they_ride_on_every_entry_in_mqtt_5_and_on_none_in_3_1_1(setup, drafts, wait_until):
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(script, entries=drafts(5))
    wait_until(lambda: it.delivered() == 5)
    readings = [message for message in seen if message.n]
    for message in readings:
        attributes = attributes_of(message.properties)
        event = checked_by_the_sdk(attributes, message.payload)
        assert event.get_id() == json.loads(message.payload)["id"]
    assert len(readings) == 5


@pytest.mark.parametrize("options", [{"version": "3.1.1"}, {"cloudevents": False}])
def test_without_them_the_payload_is_the_same(setup, drafts, wait_until, options):
    seen = []

    def script(session):
        session.take_connect()
        session.accept()
        session.until_goodbye(seen)

    it = setup(script, entries=drafts(2), **options)
    wait_until(lambda: it.delivered() == 2)
    reader = JournalReader(it.path)
    bodies = [row.body for row in reader.after(0, 9)]
    reader.close()
    readings = [message for message in seen if message.n]
    assert [message.payload for message in readings] == bodies
    assert all(message.properties == [] for message in readings)
