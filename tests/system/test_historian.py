"""The historian at a real mosquitto and a real PostgreSQL: everything once, whatever fails."""

import json
import signal

import harness
import psycopg
import pytest
from historian_bench import Historian

from capture.historian.migrate import migrate, migrations
from capture.journal import Store
from capture.model import new_id

pytestmark = pytest.mark.takes(30)


@pytest.fixture
def historian(rig, broker, conninfo):
    return Historian(rig, broker.port, conninfo)


def entries_to_store(rig):
    stays = ("machine", "job", "audit", "anchor")
    return [each for each in rig.entries() if each.kind not in stays]


def publish(rig, broker, topic, payload, **more):
    client = rig.own(harness.Subscriber(broker.port, client_id="somebody", topic="nothing"))
    client._client.publish(topic, payload, qos=1, **more).wait_for_publish(harness.LONG)


def test_what_a_bench_publishes_is_stored_once_with_the_same_bytes(rig, broker, conninfo):
    """Readings, tags, gaps and results; a second delivery of all of it adds nothing."""
    historian = Historian(rig, broker.port, conninfo, gaps="every_s = 1\n")
    worker = historian.worker()
    historian.listening(worker)
    counter, lines = rig.counter("line", 200)
    rig.configure(broker.port, lines)
    daemon = rig.daemon()
    rig.wait_for_length(200)
    rig.command("machine", "add", "FAN-07", "--operator", "technician")
    rig.command(
        "tag", "line:1-3", "--machine", "FAN-07", "--operator", "technician", "--point", "U-V"
    )
    counter.hand("stop")
    assert daemon.stop() == 0, daemon.said()
    entries = entries_to_store(rig)
    historian.wait_for_ids([each.id for each in entries])
    stored = {
        str(id_): body for id_, body in historian.rows("SELECT id, body FROM benchtally.readings")
    }
    readings = [each for each in entries if each.kind == "reading"]
    assert stored == {each.id: each.body.decode() for each in readings}
    # Order means (instrument, sequence).
    by_number = historian.rows("SELECT sequence, digits FROM benchtally.readings ORDER BY sequence")
    assert [digits for _, digits in by_number] == [each.json()["digits"] for each in readings]
    tagged = historian.rows(
        "SELECT machine, pair, sequence FROM benchtally.machine_readings ORDER BY 3"
    )
    assert tagged == [("FAN-07", "U-V", 1), ("FAN-07", "U-V", 2), ("FAN-07", "U-V", 3)]
    ((last,),) = historian.rows("SELECT digits FROM benchtally.last_values")
    assert last == readings[-1].json()["digits"]
    rig.journal.with_name(rig.journal.name + ".delivered").unlink()
    again = rig.daemon()
    harness.wait_until(lambda: historian.known(worker) > 0, "it came again")
    harness.wait_until(
        lambda: historian.rows("SELECT compared FROM benchtally.journals") == [(rig.length(),)],
        "all of it is compared",
    )
    assert again.stop() == 0, again.said()
    assert len(historian.ids()) == len(entries)
    asked = ("historian", "gaps", "--config", historian.config)
    assert rig.bare(*asked).stdout == "no gaps\n"
    assert worker.stop() == 0, worker.said()
    assert rig.bare(*asked).stdout.splitlines() == [
        "no gaps in what was compared",
        "nobody serves slot 0: what came since is not known here",
    ]


def test_bad_messages_go_to_quarantine_and_hold_up_nothing(rig, broker, historian, draft):
    worker = historian.worker()
    historian.listening(worker)
    good = json.loads(draft().model_dump_json()) | {"sequence": 1}
    topic = f"{harness.ROOT}/reading/ohm-1/resistance"
    nul = good | {"id": "01990000-0000-7000-8000-000000000001", "conditions": {"note": "a\0b"}}
    bad = {
        "not JSON": (topic, b"\xff\x00"),
        "another instrument": (f"{harness.ROOT}/reading/ohm-2/resistance", json.dumps(good)),
        "another bench": ("benchtally/v1/sawmill/bench-2/reading/ohm-1/resistance", json.dumps(good)),
        "no sequence": (topic, json.dumps({k: v for k, v in good.items() if k != "sequence"})),
        "a number that is none": (topic, json.dumps(good).replace("0.8421", "NaN")),
        "too long a number": (topic, json.dumps(good | {"sequence": 1 << 80})),
    }  # fmt: skip
    for where, payload in bad.values():
        publish(rig, broker, where, payload)
    publish(rig, broker, topic, json.dumps(nul))
    publish(rig, broker, topic, json.dumps(good))
    historian.wait_for_ids([good["id"]])
    harness.wait_until(
        lambda: len(historian.rows("SELECT reason FROM benchtally.quarantine")) >= len(bad),
        "quarantine",
    )
    kept = historian.rows("SELECT topic, reason, payload FROM benchtally.quarantine ORDER BY n")
    assert [row[0] for row in kept[: len(bad)]] == [where for where, _ in bad.values()]
    assert "topic is not that of its body" in kept[1][1]
    assert kept[0][2] == b"\xff\x00"
    shown = rig.bare("historian", "quarantine", "--json", "--config", historian.config).stdout
    assert len(shown.splitlines()) == len(kept)
    assert worker.running()
    assert worker.stop() == 0, worker.said()


def test_a_database_that_restarts_loses_nothing(rig, broker, conninfo, server):
    historian = Historian(rig, broker.port, conninfo, database="batch = 100\n")
    worker = historian.worker()
    historian.listening(worker)
    counter, lines = rig.counter("line", 200)
    rig.configure(broker.port, lines)
    daemon = rig.daemon()
    harness.wait_until(lambda: historian.count() > 50, "readings in the database")
    server.stop()
    rig.wait_for_length(rig.length() + 200)
    server.start()
    historian.listening(worker, count=2)
    counter.hand("stop")
    assert daemon.stop() == 0, daemon.said()
    historian.wait_for_ids([each.id for each in entries_to_store(rig)])
    assert len(historian.ids()) == len(set(historian.ids())) == len(entries_to_store(rig))
    assert worker.stop() == 0, worker.said()


def test_what_trickles_is_not_held_back_until_a_batch_is_full(rig, broker, conninfo):
    """Readings that come one by one, and never pause, are stored within a moment."""
    historian = Historian(rig, broker.port, conninfo, database="batch = 20000\n")
    worker = historian.worker()
    historian.listening(worker)
    _, lines = rig.counter("line", 200)
    rig.configure(broker.port, lines)
    daemon = rig.daemon()
    harness.wait_until(lambda: historian.count() > 300, "readings in the database")
    ((late,),) = historian.rows(
        "SELECT percentile_cont(0.5) WITHIN GROUP (ORDER BY extract(epoch FROM stored_at - time)) "
        "FROM benchtally.readings WHERE sequence > 100"
    )
    assert late < 10, "a full batch would take a hundred seconds"
    assert daemon.stop() == 0, daemon.said()
    assert worker.stop() == 0, worker.said()


def test_any_process_takes_over_a_slot_and_its_share(rig, broker, conninfo):
    """Two slots, three processes: the third stands by, and serves the slot of one that is killed."""
    historian = Historian(rig, broker.port, conninfo, slots=2)
    first, second = historian.worker(), historian.worker()
    slots = {historian.listening(each)["slot"] for each in (first, second)}
    assert slots == {0, 1}
    third = historian.worker()
    harness.wait_until(lambda: "historian.stands_by" in third.said(), "the third stands by")
    counter, lines = rig.counter("line", 200)
    rig.configure(broker.port, lines)
    daemon = rig.daemon()
    harness.wait_until(lambda: historian.count() > 50, "readings in the database")
    lost = historian.listening(first)["slot"]
    historian.kill(first)
    rig.wait_for_length(rig.length() + 200)
    taken = historian.listening(third)
    assert taken["slot"] == lost
    assert taken["session_present"], "the share of the killed one had been kept"
    counter.hand("stop")
    assert daemon.stop() == 0, daemon.said()
    historian.wait_for_ids([each.id for each in entries_to_store(rig)])
    for each in (second, third):
        assert each.stop() == 0, each.said()


def test_a_gap_is_found_and_asked_for_and_one_that_stays_is_given_up(rig, broker, conninfo, drafts):
    """What was published while nobody had a session yet is asked for by its numbers."""
    settings = "every_s = 0.2\nwait_s = 0.2\ntries = 2\n"
    historian = Historian(rig, broker.port, conninfo, gaps=settings)
    store = Store(rig.journal)
    store.append(drafts(30))
    store.close()
    rig.configure(broker.port)
    daemon = rig.daemon()
    harness.wait_until(lambda: json.loads(_cursor(rig))["delivered"] == 30, "delivered to nobody")
    worker = historian.worker()
    historian.listening(worker)
    # Only now the instrument is heard of: its 31st reading.
    store = Store(rig.journal)
    store.append(drafts(1))
    store.close()
    historian.wait_for_ids([each.id for each in entries_to_store(rig)])
    harness.wait_until(
        lambda: not historian.rows("SELECT first FROM benchtally.gaps"), "no gap any more"
    )
    assert daemon.stop() == 0, daemon.said()
    # A bench that is offline is asked when it is back; one that says nothing of itself may be there,
    # and answers nobody.
    far = json.loads(drafts(1)[0].model_dump_json()) | {"sequence": 40}
    publish(rig, broker, f"{harness.ROOT}/reading/ohm-1/resistance", json.dumps(far))
    far |= {"bench": "bench-9", "sequence": 9, "id": str(new_id())}
    publish(rig, broker, "benchtally/v1/sawmill/bench-9/reading/ohm-1/resistance", json.dumps(far))
    harness.wait_until(
        lambda: (
            historian.rows("SELECT first, last, state, tries FROM benchtally.gaps ORDER BY 1")
            == [(1, 8, "given-up", 2), (32, 39, "open", 0)]
        ),
        "given up",
    )
    shown = rig.bare("historian", "gaps", "--config", historian.config)
    assert shown.returncode == 1
    assert "given-up" in shown.stdout
    assert "not-told" in shown.stdout, "nothing but readings was ever heard of the other bench"
    assert worker.stop() == 0, worker.said()


def _cursor(rig):
    path = rig.journal.with_name(rig.journal.name + ".delivered")
    return path.read_text() if path.exists() else '{"delivered": 0}'


def test_a_database_of_another_version_is_not_touched(rig, broker, conninfo):
    historian = Historian(rig, broker.port, conninfo)
    with psycopg.connect(conninfo, autocommit=True) as connection:
        assert migrate(connection) == []
        connection.execute("INSERT INTO benchtally.migrations VALUES (9999, 'x', 'x')")
    done = rig.bare("historian", "run", "--config", historian.config)
    assert done.returncode == 1
    assert "migration 9999, which this version does not know" in done.stderr
    assert [each.number for each in migrations()] == [1, 2, 3, 4]


def test_a_database_without_tables_says_what_to_do(rig, broker, server):
    config = rig.folder / "historian.toml"
    config.write_text(
        f'[broker]\nport = {broker.port}\n[database]\nconninfo = "{server.database()}"\n'
    )
    done = rig.bare("historian", "run", "--config", config)
    assert done.returncode == 1
    assert "run `benchtally historian migrate`" in done.stderr
    assert "0001_tables.sql done" in rig.bare("historian", "migrate", "--config", config).stdout
    assert rig.bare("historian", "migrate", "--config", config).stdout == "nothing to do\n"


def test_signals_end_it_at_once_when_asked_twice_and_cleanly_when_asked_once(historian):
    worker = historian.worker()
    historian.listening(worker)
    worker.signal(signal.SIGTERM)
    assert worker.wait() == 0, worker.said()
