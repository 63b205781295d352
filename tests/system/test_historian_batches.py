"""Batches into a real PostgreSQL, and their acknowledgements at a real mosquitto, step by step."""

import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import harness
import psycopg
import pytest
from historian_bench import Historian

from capture.historian.intake import COLUMNS, row_of
from capture.historian.listener import Listener
from capture.historian.settings import BrokerSource
from capture.model import new_id

TOPIC = f"{harness.ROOT}/reading/ohm-1/resistance"
HUGE = 1 << 70  # an integer for the schema, and out of range for the database


@pytest.fixture
def historian(rig, server):
    """The tables; no worker: each test is one itself."""
    return Historian(rig, 1, server.database())


@pytest.fixture
def items(drafts):
    """Give so many readings that follow each other, each as the row and the message it came of."""
    counted = iter(range(1, 10_000))

    def made(count, **members):
        found = []
        for draft in drafts(count):
            said = json.loads(draft.model_dump_json()) | {"sequence": next(counted)} | members
            payload = json.dumps(said).encode()
            found.append((row_of(TOPIC, payload), TOPIC, payload))
        return found

    return made


def stored(historian):
    return sorted(n for (n,) in historian.rows("SELECT sequence FROM benchtally.readings"))


def test_a_message_that_is_twice_in_one_batch_is_stored_once(historian, database, items):
    batch = items(3)
    database.store([*batch, batch[1], batch[1]])
    assert stored(historian) == [1, 2, 3]
    assert (database.stored, database.known) == (3, 2)


def test_what_is_there_already_is_known_and_the_others_of_its_batch_are_stored(
    historian, database, items
):
    first, more = items(3), items(3)
    database.store(first)
    database.store([*first[1:], *more])
    assert stored(historian) == [1, 2, 3, 4, 5, 6]
    assert (database.stored, database.known) == (6, 2)


def test_after_what_was_there_already_all_new_batches_are_stored_whole(historian, database, items):
    """By the staging table for a while, and straight again afterwards."""
    first = items(1)
    database.store(first)
    database.store(first)
    for _ in range(12):
        database.store(items(2))
    assert stored(historian) == list(range(1, 26))
    assert (database.stored, database.known) == (25, 1)
    database.store(first)
    assert (database.stored, database.known) == (25, 2)


@pytest.mark.parametrize("again", [False, True], ids=["all new", "some known"])
def test_what_the_database_refuses_is_set_aside_and_the_rest_of_its_batch_stored(
    historian, database, items, again
):
    """A number that the column cannot hold, in the midst of a COPY."""
    known, good = items(1), items(5)
    database.store(known)
    (row, topic, payload) = items(1)[0]
    columns = (*row.columns[:5], HUGE, *row.columns[6:])
    bad = (replace(row, columns=columns), topic, payload)
    database.store([*good[:2], *(known if again else []), bad, *good[2:]])
    assert stored(historian) == [1, 2, 3, 4, 5, 6]
    assert database.quarantined == 1
    ((where, what, why),) = historian.rows(
        "SELECT topic, payload, reason FROM benchtally.quarantine"
    )
    assert (where, what) == (topic, payload)
    assert "the database refuses it" in why


def test_a_batch_is_one_transaction(historian, database, items):
    """Whoever looks in between sees nothing of a batch that is not committed."""
    with psycopg.connect(historian.conninfo) as other:
        # It holds the table of instruments, which a batch writes to last.
        other.execute("LOCK TABLE benchtally.instruments IN ACCESS EXCLUSIVE MODE")
        database.connection.execute("SET lock_timeout = '50ms'")
        with pytest.raises(Exception, match="lock timeout"):
            database.store(items(3))
        other.rollback()
    assert stored(historian) == []
    assert database.stored == 0


# ── acknowledgements ─────────────────────────────────────────────────────────────────────────────


class Slot:
    """One slot at a broker, as a worker uses it."""

    def __init__(self, broker, most=100):
        self._broker, self._most = broker, most
        self.listener = None

    def begin(self):
        self.listener = Listener(
            BrokerSource(port=self._broker.port),
            "slot",
            "group",
            self._most,
            "",
            None,
        )
        self.listener.begin()
        harness.wait_until(lambda: self.turn() and self.listener.subscribed, "subscribed")
        return self

    def turn(self):
        self.listener.turn(0.05)
        assert self.listener.over is None, self.listener.over
        return True

    def wait_for(self, count):
        harness.wait_until(
            lambda: self.turn() and len(self.listener.received) >= count, f"{count} messages"
        )
        return list(self.listener.received)

    def end(self, *, politely=False):
        self.listener.end(politely=politely)


@pytest.fixture
def slot(broker):
    made = Slot(broker).begin()
    yield made
    made.end()


@pytest.fixture
def publish(rig, broker):
    client = rig.own(harness.Subscriber(broker.port, client_id="somebody", topic="nothing"))

    def say(topic, payload, **more):
        client._client.publish(topic, payload, qos=1, **more).wait_for_publish(harness.LONG)

    return say


def store(database, messages):
    database.store([(row_of(m.topic, m.payload), m.topic, m.payload) for m in messages])


def test_what_was_committed_and_not_acknowledged_comes_again_and_is_known(
    historian, database, items, slot, publish
):
    """The worker dies between commit and acknowledgement."""
    for _, topic, payload in items(5):
        publish(topic, payload)
    came = slot.wait_for(5)
    store(database, came)
    slot.end()
    slot.begin()
    assert slot.listener.session_present
    again = slot.wait_for(5)
    assert [m.payload for m in again] == [m.payload for m in came]
    store(database, again)
    assert (database.stored, database.known) == (5, 5)
    assert stored(historian) == [1, 2, 3, 4, 5]


def test_what_was_acknowledged_does_not_come_again_and_what_was_not_does(items, slot, publish):
    for _, topic, payload in items(5):
        publish(topic, payload)
    came = slot.wait_for(5)
    slot.listener.acknowledge(came[:3])
    slot.end(politely=True)
    slot.begin()
    assert [m.payload for m in slot.wait_for(2)] == [m.payload for m in came[3:]]


def test_no_more_comes_than_may_be_unacknowledged(items, broker, publish):
    slot = Slot(broker, most=4).begin()
    sent = items(7)
    for _, topic, payload in sent:
        publish(topic, payload)
    came = slot.wait_for(4)
    for _ in range(5):
        slot.turn()
    assert len(slot.listener.received) == 4
    slot.listener.acknowledge(came)
    assert [m.payload for m in slot.wait_for(7)] == [payload for _, _, payload in sent]
    slot.end()


def test_a_broker_that_restarts_ends_the_connection_and_keeps_what_was_not_acknowledged(
    items, broker, slot, publish
):
    ((_, topic, payload),) = items(1)
    publish(topic, payload)
    slot.wait_for(1)
    broker.stop()

    def over():
        slot.listener.turn(0.05)
        return slot.listener.over

    assert harness.wait_until(over, "the connection is over")
    assert "broker" in slot.listener.over
    broker.start()
    slot.end()
    slot.begin()
    assert slot.listener.session_present
    assert [m.payload for m in slot.wait_for(1)] == [payload]


def test_properties_of_a_message_change_nothing_of_it(items, slot, rig, broker):
    """CloudEvents attributes, which benches send, and letters that are not ASCII."""
    ((_, topic, payload),) = items(1)
    properties = harness.Properties(harness.PacketTypes.PUBLISH)
    properties.ContentType = "application/json"
    properties.UserProperty = [("source", "urn:benchtally:sawmill"), ("subject", "Ωµ≥ 5 МОм 𝛀")]
    client = rig.own(harness.Subscriber(broker.port, client_id="other", topic="nothing"))
    info = client._client.publish(topic, payload, qos=1, properties=properties)
    info.wait_for_publish(harness.LONG)
    ((where, what, _mid),) = slot.wait_for(1)
    assert (where, what) == (topic, payload)


def test_a_request_reaches_the_bench(slot, broker, rig):
    bench = rig.own(
        harness.Subscriber(broker.port, client_id="bench", topic=f"{harness.ROOT}/resend")
    )
    for n in range(30):
        slot.listener.ask_again(harness.SITE, harness.BENCH, {"id": str(n)})

    def all_there():
        return slot.turn() and len(bench.messages) >= 30

    harness.wait_until(all_there, "thirty requests, more than may be under way at once")
    assert [m.json()["id"] for m in bench.messages] == [str(n) for n in range(30)]


@pytest.mark.parametrize("way", ["straight", "staged"])
def test_rows_are_written_in_one_order_whatever_order_they_came_in(historian, database, items, way):
    """Two workers that get the same messages again would else hold what the other one waits for."""
    first = items(1)
    database.store(first)
    if way == "staged":
        database.store(first)  # known, so the next batches go by the staging table
    earlier, later = items(2)
    assert (earlier[0].time, earlier[0].columns[0]) < (later[0].time, later[0].columns[0])
    with (
        psycopg.connect(historian.conninfo) as another,
        psycopg.connect(historian.conninfo) as probe,
        ThreadPoolExecutor(1) as worker,
    ):
        insert(another, earlier)  # in a transaction that is not at its end
        storing = worker.submit(database.store, [later, earlier])
        try:
            harness.wait_until(lambda: waits(historian), "the worker to wait for the earlier row")
            # It waits for the earlier row, and holds nothing yet that stands behind it.
            probe.execute("SET lock_timeout = '5s'")
            insert(probe, later)
        finally:
            probe.rollback()
            another.rollback()
        storing.result(harness.LONG)
    assert stored(historian) == [1, 2, 3]


def insert(connection, item):
    names = COLUMNS["readings"]
    places = ", ".join(["%s"] * len(names))
    connection.execute(
        f"INSERT INTO benchtally.readings ({', '.join(names)}) VALUES ({places})", item[0].columns
    )


def waits(historian):
    return historian.rows(
        "SELECT 1 FROM pg_stat_activity WHERE application_name = 'benchtally-historian' "
        "AND datname = current_database() AND wait_event_type = 'Lock'"
    )


def test_tables_are_written_in_one_order_too(historian, database, items):
    """A batch that begins with a tag takes its readings first all the same."""
    tag = {
        "schema_version": 1,
        "id": str(new_id()),
        "site": "sawmill",
        "bench": "bench-1",
        "instrument": "ohm-1",
        "reading": str(new_id()),
        "time": "2026-01-05T08:40:19.000000Z",
        "operator": "technician",
        "machine": "FAN-07",
    }
    topic, payload = f"{harness.ROOT}/tag/ohm-1", json.dumps(tag).encode()
    tagged = (row_of(topic, payload), topic, payload)
    database.store(items(1))
    (reading,) = items(1)
    with (
        psycopg.connect(historian.conninfo) as another,
        psycopg.connect(historian.conninfo) as probe,
        ThreadPoolExecutor(1) as worker,
    ):
        insert(another, reading)
        storing = worker.submit(database.store, [tagged, reading])
        try:
            harness.wait_until(lambda: waits(historian), "the worker to wait for the reading")
            probe.execute("SET lock_timeout = '5s'")
            names = COLUMNS["tags"]
            places = ", ".join(["%s"] * len(names))
            probe.execute(
                f"INSERT INTO benchtally.tags ({', '.join(names)}) VALUES ({places})",
                tagged[0].columns,
            )
        finally:
            probe.rollback()
            another.rollback()
        storing.result(harness.LONG)
    assert historian.rows("SELECT count(*) FROM benchtally.tags") == [(1,)]
