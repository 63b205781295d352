"""Delivery to real brokers: access rules, limits, several at once, requests, MQTT 5 and 3.1.1.

TLS and secrets are in test_broker_secrets.py.
"""

import json
from datetime import datetime

import harness
import pytest
from cloudevents.core.v1.event import CloudEvent
from delivering import count_up, hold, settled, standings

from capture.demo.broker import Amqtt
from capture.journal import Store

pytestmark = pytest.mark.takes(25)

# ── access rules ─────────────────────────────────────────────────────────────────────────────────

RULES = "topic readwrite {root}/state\ntopic readwrite {root}/instrument/#\n"


def test_what_the_access_rules_forbid_pauses_delivery_until_they_allow_it(rig):
    """Mosquitto with MQTT 5 answers 0x87; its rules are changed and read again while we run."""
    rules = rig.folder / "rules"
    reads = f"topic read {harness.ROOT}/#\n"
    rules.write_text(reads + RULES.format(root=harness.ROOT))
    broker = rig.mosquitto(more=f"acl_file {rules}\n")
    subscriber = rig.subscriber(broker)
    daemon, counter = count_up(rig, broker.port, broker="version = '5'\nretry_s = 0.2\n")
    paused = daemon.wait_for("publisher.paused")
    assert "Not authorized" in paused["reason"]
    said = subscriber.wait_for(
        lambda message: message.topic.endswith("bench-1/state") and "paused" in message.json(),
        "the bench says that it is paused",
    )
    assert said.json()["state"] == "online"
    assert subscriber.entries() == []
    rules.write_text(f"topic readwrite {harness.ROOT}/#\n")
    broker.reload()
    daemon.wait_for("publisher.resumed")
    hold(rig, counter)
    settled(rig)
    assert daemon.stop() == 0, daemon.said()
    verdict = rig.check_delivery(subscriber)
    assert verdict.committed >= 100
    assert rig.command("outbox", "list") == "no refused messages\n"


# ── limits ───────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("limit", "version"),
    [("max_packet_size", "5"), ("max_packet_size", "3.1.1"), ("message_size_limit", "5")],
)
def test_an_entry_that_the_broker_finds_too_large_is_set_aside(rig, draft, limit, version):
    """In MQTT 5 it tells its limit in CONNACK; else it ends the connection at the large one."""
    broker = rig.mosquitto(more=f"{limit} 3000\n")
    subscriber = rig.subscriber(broker)
    rig.configure(broker.port, broker=f"version = '{version}'\n")
    store = Store(rig.journal)
    big = draft(conditions={f"note-{n}": "x" * 190 for n in range(20)})
    store.append([draft(), draft(), big, draft(), draft()])
    store.close()
    daemon = rig.daemon()
    held = daemon.wait_for("outbox.held")
    assert held["id"] == str(big.id)
    settled(rig)
    assert daemon.stop() == 0, daemon.said()
    others = [each.id for each in rig.entries() if each.id != str(big.id)]
    subscriber.wait_for_ids(others)
    (letter,) = map(json.loads, rig.command("outbox", "list", "--json").splitlines())
    assert letter["id"] == str(big.id)
    # The limit is raised, the letter retried: the plant has everything.
    config = broker.folder / "mosquitto.conf"
    config.write_text(config.read_text().replace(f"{limit} 3000", f"{limit} 100000"))
    broker.stop()
    broker.start()
    assert rig.command("outbox", "retry", "--all") == "1 to be sent again\n"
    again = rig.daemon()
    subscriber.wait_for_ids([str(big.id)])
    again.wait_for("outbox.delivered")
    assert again.stop() == 0, again.said()
    assert rig.command("outbox", "list") == "no refused messages\n"


def test_an_entry_that_the_broker_drops_unsaid_is_found_by_the_consumer(rig, draft):
    """In MQTT 3.1.1 a PUBACK cannot refuse, so mosquitto acknowledges what `message_size_limit` drops.

    To the bench that is delivered. Seen of mosquitto 2.0.11: it ends the connection as well. What is
    behind must not be lost with it, and the hole must heal once the limit is raised.
    """
    broker = rig.mosquitto(more="message_size_limit 3000\n")
    subscriber = rig.subscriber(broker)
    rig.configure(broker.port, broker="version = '3.1.1'\n")
    before, behind = [draft() for _ in range(20)], [draft() for _ in range(20)]
    big = draft(conditions={f"note-{n}": "x" * 190 for n in range(20)})
    store = Store(rig.journal)
    store.append([*before, big, *behind])
    store.close()
    daemon = rig.daemon()
    small = [str(each.id) for each in (*before, *behind)]
    subscriber.wait_for_ids(small)
    settled(rig)
    came = [each.json()["id"] for each in subscriber.entries()]
    assert list(dict.fromkeys(came)) == small, "all but the large one, in order"
    assert rig.command("outbox", "list") == "no refused messages\n", "nobody told us"
    config = broker.folder / "mosquitto.conf"
    config.write_text(config.read_text().replace("limit 3000", "limit 100000"))
    broker.stop()
    broker.start()
    late = draft()
    store = Store(rig.journal)
    store.append([late])
    store.close()
    subscriber.wait_for_ids([str(late.id)])  # the bench is back, and listens
    hole = {"id": "hole-1", "instrument": "ohm-1", "first": 21, "last": 21}
    subscriber.publish("resend", json.dumps(hole))
    subscriber.wait_for_ids([str(big.id)])
    assert daemon.stop() == 0, daemon.said()


def test_a_backlog_is_sent_in_order_and_no_faster_than_configured(rig, draft):
    broker = rig.mosquitto()
    subscriber = rig.subscriber(broker)
    store = Store(rig.journal)
    store.append([draft() for _ in range(600)])
    store.close()
    rig.configure(broker.port, broker="max_rate = 200\n")
    daemon = rig.daemon()
    rig.check_delivery(subscriber)
    came = [each.at for each in subscriber.entries()]
    # A burst of a tenth of a second, then the rate. A busy machine may tell us late of the first to
    # arrive, so that the rest seems quick: one of the first half at least was told of at once.
    assert any(
        came[-1] - at >= (600 - 20 - 1 - n) / 200 - 0.1 for n, at in enumerate(came[:300])
    ), came
    assert daemon.stop() == 0, daemon.said()


# ── several brokers ──────────────────────────────────────────────────────────────────────────────


def test_several_brokers_each_get_everything_at_their_own_pace(rig):
    plant, office = rig.mosquitto(), rig.mosquitto()
    at_plant, at_office = rig.subscriber(plant), rig.subscriber(office, client_id="office")
    office.stop()
    counter, lines = rig.counter("line", 300)
    rig.configure(plant.port, f"[brokers.office]\nport = {office.port}\n", lines)
    daemon = rig.daemon()
    rig.wait_for_length(400)
    hold(rig, counter)
    rig.check_delivery(at_plant)
    settled(rig)
    assert standings(rig)["office"]["backlog"] >= 400, "the one that is away holds nobody up"
    office.start()
    rig.check_delivery(at_office)
    settled(rig, "office")
    assert daemon.stop() == 0, daemon.said()
    # One is taken out: its files stay until a person says that it is gone for good.
    rig.configure(plant.port, lines)
    assert not standings(rig)["office"]["configured"]
    assert rig.command("outbox", "drop-publisher", "office").startswith("office dropped")
    assert list(standings(rig)) == ["broker"]


def test_only_named_brokers_work_without_the_unnamed_one(rig, broker, subscriber):
    counter, lines = rig.counter("line", 300)
    text = (
        f'site = "{harness.SITE}"\nbench = "{harness.BENCH}"\n[journal]\npath = "bench.journal"\n'
        f"[log]\nform = 'json'\n[brokers.plant]\nport = {broker.port}\nprocess = 'thread'\n{lines}"
    )
    rig.config.write_text(text)
    daemon = rig.daemon()
    rig.wait_for_length(100)
    hold(rig, counter)
    rig.check_delivery(subscriber)
    settled(rig, "plant")
    assert daemon.stop() == 0, daemon.said()
    assert list(standings(rig)) == ["plant"]
    assert (rig.folder / "bench.journal.plant.delivered").exists()


# ── sent again on request ────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_consumer_that_missed_readings_asks_for_them(rig, broker, version):
    """A session without memory is away for a while, finds the hole in the numbers, and heals it."""
    daemon, counter = count_up(rig, broker.port, broker=f"version = '{version}'\n", wanted=150)
    harness.wait_until(lambda: standings(rig)["broker"]["delivered"] >= 100, "some are delivered")
    late = rig.subscriber(broker, client_id="late")
    last = late.wait_for(harness.is_reading("line"), "a reading").json()["sequence"]
    assert last > 1
    late.publish(
        "resend",
        json.dumps({"id": "late-1", "instrument": "line", "first": 1, "last": last - 1}),
    )
    answer = late.wait_for(lambda message: message.topic.endswith("/resent"), "the answer").json()
    assert (answer["request"], answer["sent"]) == ("late-1", last - 1)
    hold(rig, counter)
    assert daemon.stop() == 0, daemon.said()
    entries = rig.entries()
    late.wait_for_ids([each.id for each in entries])
    verdict = harness.compare(entries, late.entries())
    assert verdict.missing == verdict.foreign == verdict.duplicates == 0
    assert verdict.same_bytes
    fresh = [each.json()["sequence"] for each in late.entries() if each.json()["sequence"] >= last]
    assert fresh == sorted(fresh)


def test_amqtt_takes_a_backlog_and_carries_requests(rig, draft):
    """Another broker, MQTT 3.1.1 only."""
    broker = rig.own(Amqtt(), end="stop")
    subscriber = rig.subscriber(broker, version=4)
    store = Store(rig.journal)
    store.append([draft() for _ in range(300)])
    store.close()
    rig.configure(broker.port, broker="version = '3.1.1'\n")
    daemon = rig.daemon()
    rig.check_delivery(subscriber)
    subscriber.publish(
        "resend", json.dumps({"id": "a", "instrument": "ohm-1", "first": 10, "last": 12})
    )
    answer = subscriber.wait_for(lambda message: message.topic.endswith("/resent"), "the answer")
    assert answer.json()["sent"] == 3
    assert daemon.stop() == 0, daemon.said()


# ── CloudEvents ──────────────────────────────────────────────────────────────────────────────────


def test_a_subscriber_of_mqtt_5_gets_valid_events(rig, broker, subscriber):
    daemon, counter = count_up(rig, broker.port, wanted=50)
    hold(rig, counter)
    rig.check_delivery(subscriber)
    assert daemon.stop() == 0, daemon.said()
    for message in subscriber.entries():
        attributes = dict(message.properties.UserProperty)
        assert message.properties.ContentType == "application/json"
        attributes["time"] = datetime.fromisoformat(attributes["time"])
        event = CloudEvent(
            {**attributes, "datacontenttype": message.properties.ContentType}, message.json()
        )
        assert event.get_id() == message.json()["id"]
        assert event.get_subject() == message.json()["quantity"]
        assert event.get_type() == "benchtally.reading.v1"
