"""What a bench published before anybody listened: asked for and got, or told not to be here.

At a real mosquitto and a real PostgreSQL, with a bench's own daemon.
"""

import json
import sqlite3

import harness
import psycopg
import pytest
from historian_bench import Historian

from capture.journal import Store
from capture.journal.in_order import OTHERS

pytestmark = [pytest.mark.takes(60), pytest.mark.timeout(400)]

PATIENCE = 90  # seconds: a bench says how long its journal is every half minute
QUICK = "every_s = 0.2\nwait_s = 0.2\ntries = 3\n"


@pytest.fixture
def historian(rig, broker, conninfo):
    return Historian(rig, broker.port, conninfo, gaps=QUICK)


def wait_until(condition, what):
    return harness.wait_until(condition, what, PATIENCE)


def append(rig, entries):
    store = Store(rig.journal)
    try:
        return store.append(entries)
    finally:
        store.close()


def tag(rig, which):
    rig.command(
        "tag", which, "--machine", "FAN-07", "--operator", "technician", "--point", "U-V"
    )  # fmt: skip


def fill(rig, broker, drafts):
    """A bench with readings and tags in its journal, which delivers to this broker."""
    rig.configure(broker.port)
    append(rig, drafts(30))
    rig.command("machine", "add", "FAN-07", "--operator", "technician")
    tag(rig, "ohm-1:1-3")


def delivered(rig):
    """The bench has delivered all that it has."""
    path = rig.journal.with_name(rig.journal.name + ".delivered")
    wait_until(
        lambda: path.exists() and json.loads(path.read_text())["delivered"] == rig.length(),
        "delivered",
    )


def travels(rig):
    return [
        each for each in rig.entries() if each.kind in ("reading", "tag", "gap", "result", "record")
    ]


def gaps(rig, historian):
    """What `historian gaps` says, and what it ends with."""
    done = rig.bare("historian", "gaps", "--config", historian.config)
    assert not done.stderr
    return done.returncode, done.stdout


def complete(historian):
    """Wait until all of every current journal was compared and nothing is known to be missing."""

    def found():
        rows = historian.rows("SELECT compared, head FROM benchtally.journals WHERE is_current")
        return (
            rows
            and all(head is not None and compared == head for compared, head in rows)
            and not historian.rows("SELECT FROM benchtally.incomplete")
        )

    wait_until(found, "compared, and nothing missing")


def bodies(historian):
    return {
        str(id_): body
        for table in ("readings", "tags", "results", "records", "interruptions")
        for id_, body in historian.rows(f"SELECT id, body FROM benchtally.{table}")
    }


def test_what_was_published_before_anybody_listened_is_got_once_with_the_same_bytes(
    rig, broker, historian, drafts
):
    """Readings of an instrument that is silent since, and their tags: nothing new makes a hole show."""
    fill(rig, broker, drafts)
    daemon = rig.daemon()
    delivered(rig)
    unserved = "nobody serves slot 0: what came since is not known here\n"
    nothing = "no bench was heard of yet: nothing is compared\n"
    assert gaps(rig, historian) == (1, nothing + unserved)
    worker = historian.worker()
    complete(historian)
    entries = travels(rig)
    assert [each.kind for each in entries].count("tag") == 3
    assert bodies(historian) == {each.id: each.body.decode() for each in entries}
    assert len(historian.ids()) == len(entries)
    assert gaps(rig, historian) == (0, "no gaps\n")
    assert daemon.stop() == 0, daemon.said()
    assert worker.stop() == 0, worker.said()


def test_a_bench_that_is_offline_is_not_said_to_be_complete_and_is_asked_when_it_is_back(
    rig, broker, historian, drafts
):
    fill(rig, broker, drafts)
    daemon = rig.daemon()
    delivered(rig)
    assert daemon.stop() == 0, daemon.said()
    worker = historian.worker()
    wait_until(
        lambda: historian.rows("SELECT FROM benchtally.journals"), "the retained state is heard"
    )
    code, said = gaps(rig, historian)
    assert code == 1
    assert "offline" in said
    assert "all but readings" in said
    # It was asked nothing that it could not answer.
    assert historian.rows("SELECT tries FROM benchtally.journals") == [(0,)]
    daemon = rig.daemon()
    complete(historian)
    assert set(historian.ids()) == {each.id for each in travels(rig)}
    assert daemon.stop() == 0, daemon.said()
    assert worker.stop() == 0, worker.said()


def test_two_slots_share_it_and_one_that_is_killed_amid_it_leaves_it_to_the_other(
    rig, broker, conninfo, drafts
):
    """More tags than one list holds."""
    historian = Historian(rig, broker.port, conninfo, slots=2, gaps=QUICK)
    rig.configure(broker.port)
    append(rig, drafts(700))
    rig.command("machine", "add", "FAN-07", "--operator", "technician")
    tag(rig, "ohm-1:1-500")
    tag(rig, "ohm-1:501-700")
    daemon = rig.daemon()
    delivered(rig)
    workers = [historian.worker() for _ in range(3)]
    wait_until(
        lambda: historian.rows("SELECT FROM benchtally.journals WHERE compared > 0"), "begun"
    )
    serving = [each for each in workers if "historian.listens" in each.said()]
    historian.kill(serving[0])
    complete(historian)
    assert set(historian.ids()) == {each.id for each in travels(rig)}
    assert len(historian.ids()) == len(travels(rig))
    assert daemon.stop() == 0, daemon.said()


def test_a_second_bench_that_appears_later_is_compared_from_its_start(
    rig, broker, historian, drafts, tmp_path
):
    fill(rig, broker, drafts)
    daemon = rig.daemon()
    delivered(rig)
    worker = historian.worker()
    complete(historian)
    assert daemon.stop() == 0, daemon.said()
    # Another bench: another name, another journal.
    for each in rig.folder.glob("bench.journal*"):
        each.unlink()
    append(rig, [each.model_copy(update={"bench": "bench-2"}) for each in drafts(5)])
    text = rig.config.read_text().replace(harness.BENCH, "bench-2")
    rig.config.write_text(text)
    rig.command("machine", "add", "FAN-08", "--operator", "technician")
    rig.command("tag", "ohm-1:1-2", "--machine", "FAN-08", "--operator", "technician")
    daemon = rig.daemon()
    wait_until(
        lambda: historian.rows("SELECT FROM benchtally.tags WHERE bench = 'bench-2'"), "its tags"
    )
    complete(historian)
    assert historian.rows("SELECT bench, count(*) FROM benchtally.tags GROUP BY 1 ORDER BY 1") == [
        (harness.BENCH, 3),
        ("bench-2", 2),
    ]
    assert daemon.stop() == 0, daemon.said()
    assert worker.stop() == 0, worker.said()


def test_a_database_that_was_put_back_to_an_earlier_day_gets_what_it_lost(
    rig, broker, historian, drafts
):
    """The broker has nothing left of it: every message was acknowledged."""
    fill(rig, broker, drafts)
    daemon = rig.daemon()
    delivered(rig)
    worker = historian.worker()
    complete(historian)
    assert worker.stop() == 0, worker.said()
    kept = {table: historian.rows(f"SELECT * FROM benchtally.{table}") for table in KEPT}
    worker = historian.worker()
    historian.listening(worker)
    append(rig, drafts(10))
    tag(rig, "ohm-1:20-35")
    complete(historian)
    wait_until(lambda: len(historian.ids()) == len(travels(rig)), "all is here")
    assert worker.stop() == 0, worker.said()
    _put_back(historian, kept)
    assert len(historian.ids()) == 33
    worker = historian.worker()
    historian.listening(worker)
    assert daemon.stop() == 0, daemon.said()
    daemon = rig.daemon()  # which says how long its journal is
    wait_until(lambda: len(historian.ids()) == len(travels(rig)), "all is here again")
    complete(historian)
    assert bodies(historian) == {each.id: each.body.decode() for each in travels(rig)}
    assert daemon.stop() == 0, daemon.said()
    assert worker.stop() == 0, worker.said()


KEPT = ("readings", "tags", "instruments", "journals", "missing", "gaps")


def _put_back(historian, kept):
    """What pg_restore of an earlier dump does to these tables."""
    with psycopg.connect(historian.conninfo) as connection:
        for table, rows in kept.items():
            connection.execute(f"TRUNCATE benchtally.{table}")
            for row in rows:
                marks = ", ".join(["%s"] * len(row))
                connection.execute(f"INSERT INTO benchtally.{table} VALUES ({marks})", row)


def test_what_a_bench_had_cut_off_before_is_told_and_from_where_on_all_is_here(
    rig, broker, historian, drafts
):
    fill(rig, broker, drafts)
    daemon = rig.daemon()
    delivered(rig)
    assert daemon.stop() == 0, daemon.said()
    said = rig.command(
        "journal", "trim", "--before", "2100-01-01", "--operator", "shift lead", "--window-days", 0
    )
    append(rig, drafts(4))
    tag(rig, "ohm-1:32")
    first = harness.journal_entries(rig.journal)[0].n
    assert first > 30, said
    daemon = rig.daemon()
    worker = historian.worker()
    wait_until(lambda: len(historian.ids()) == 5, "what is left")
    wait_until(
        lambda: (
            historian.rows(
                "SELECT what, first, last, state FROM benchtally.incomplete ORDER BY what"
            )
            == [("all but readings", 1, first - 1, "cut-off"), ("readings", 1, 30, "cut-off")]
        ),
        "what was cut off is told",
    )
    code, said = gaps(rig, historian)
    assert code == 1
    assert "cut-off" in said
    assert "historian.cut_off" in worker.said()
    assert daemon.stop() == 0, daemon.said()
    assert worker.stop() == 0, worker.said()


def test_a_journal_that_was_put_back_at_the_bench_is_compared_anew(rig, broker, historian, drafts):
    """Its entry numbers stand for other entries now; a cursor alone would pass them by.

    So do the sequence numbers of its readings, and no hole shows that.
    """
    fill(rig, broker, drafts)
    rig.command("journal", "backup", "--out", rig.folder / "kept.journal")
    tag(rig, "ohm-1:4-9")
    append(rig, drafts(6))
    before = travels(rig)
    daemon = rig.daemon()
    delivered(rig)
    worker = historian.worker()
    complete(historian)
    assert daemon.stop() == 0, daemon.said()
    assert worker.stop() == 0, worker.said()
    for each in rig.folder.glob("bench.journal*"):
        each.unlink()
    (rig.folder / "kept.journal").rename(rig.journal)
    # As many as before, and more: the number alone shows nothing. Nobody hears them.
    tag(rig, "ohm-1:10-20")
    append(rig, drafts(4))
    daemon = rig.daemon()
    delivered(rig)
    worker = historian.worker()
    wanted = {each.id for each in travels(rig)} | {each.id for each in before}
    historian.wait_for_ids(wanted, PATIENCE)
    assert set(historian.ids()) == wanted
    reused = "SELECT instrument, first, last FROM benchtally.reused"
    wait_until(lambda: historian.rows(reused) == [("ohm-1", 31, 34)], "the numbers used again")
    # What nobody had heard, as if no session had kept it: no hole shows it.
    lost = list({each.id for each in travels(rig)} - {each.id for each in before})
    historian.rows(
        "DELETE FROM benchtally.readings WHERE id::text = ANY(%s) AND sequence > 30 RETURNING 1",
        lost,
    )
    historian.rows("UPDATE benchtally.journals SET recheck = true RETURNING 1")
    historian.wait_for_ids(wanted, PATIENCE)
    done = rig.bare(
        "historian", "settle", f"{harness.SITE}/{harness.BENCH}", "--state", "reused",
        "--why", "put back by the lead", "--operator", "lead", "--config", historian.config,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    complete(historian)
    assert "historian.journal_changed" in worker.said()
    assert "historian.sequence_reused" in worker.said()
    assert historian.rows("SELECT put_back FROM benchtally.journals") == [(1,)]
    assert daemon.stop() == 0, daemon.said()
    assert worker.stop() == 0, worker.said()


def test_a_tag_that_was_lost_here_comes_again_where_all_is_compared_anew(
    rig, broker, historian, drafts
):
    fill(rig, broker, drafts)
    daemon = rig.daemon()
    delivered(rig)
    worker = historian.worker()
    complete(historian)
    historian.rows(
        "DELETE FROM benchtally.tags WHERE reading = "
        "(SELECT id FROM benchtally.readings WHERE sequence = 2) RETURNING id"
    )
    historian.rows("UPDATE benchtally.journals SET compared = 0, compared_hash = NULL RETURNING 1")
    assert daemon.stop() == 0, daemon.said()
    daemon = rig.daemon()
    wait_until(lambda: len(historian.ids()) == len(travels(rig)), "the tag")
    complete(historian)
    assert daemon.stop() == 0, daemon.said()
    assert worker.stop() == 0, worker.said()


def test_what_is_listed_and_does_not_come_is_given_up_and_asked_for_once_more_on_request(
    rig, broker, historian, drafts
):
    """As what stands on the bench's list of dead letters."""
    fill(rig, broker, drafts)
    daemon = rig.daemon()
    delivered(rig)
    worker = historian.worker()
    complete(historian)
    historian.rows(
        "INSERT INTO benchtally.missing (site, bench, id, journal, n, kind, follows) "
        "SELECT site, bench, gen_random_uuid(), journal, 999, 'tag', false "
        "FROM benchtally.journals RETURNING 1"
    )
    wait_until(
        lambda: historian.rows("SELECT state, tries FROM benchtally.missing") == [("given-up", 3)],
        "given up",
    )
    code, said = gaps(rig, historian)
    assert (code, "given-up" in said, "tags" in said) == (1, True, True)
    assert worker.stop() == 0, worker.said()
    command = ("historian", "retry", "--config", historian.config)
    assert rig.bare(*command).stdout == "1 opened again\n"
    assert historian.rows("SELECT state, tries FROM benchtally.missing") == [("open", 0)]
    assert rig.bare(*command).stdout == "nothing was given up\n"
    assert daemon.stop() == 0, daemon.said()


def test_a_hole_that_was_given_up_is_looked_for_again_on_request(rig, broker, historian, drafts):
    fill(rig, broker, drafts)
    daemon = rig.daemon()
    delivered(rig)
    worker = historian.worker()
    complete(historian)
    historian.rows("DELETE FROM benchtally.readings WHERE sequence IN (4, 5) RETURNING 1")
    historian.rows(
        "INSERT INTO benchtally.gaps (site, bench, instrument, first, last, state, tries) "
        "SELECT site, bench, instrument, 4, 5, 'given-up', 3 FROM benchtally.instruments "
        "RETURNING 1"
    )
    assert gaps(rig, historian)[0] == 1
    retried = rig.bare("historian", "retry", "--config", historian.config)
    assert retried.stdout == "1 opened again\n"
    wait_until(lambda: historian.count() == 30, "they come again")
    complete(historian)
    assert gaps(rig, historian) == (0, "no gaps\n")
    assert daemon.stop() == 0, daemon.said()
    assert worker.stop() == 0, worker.said()


def test_a_bench_that_does_not_know_lists_is_told_of_as_not_answering(
    rig, broker, historian, drafts
):
    """One of an earlier version says its state, and passes over such a request."""
    worker = historian.worker()
    historian.listening(worker)
    state = {
        "schema_version": 1, "state": "online", "time": "2026-01-05T08:00:00Z",
        "journal": "01990000-0000-7000-8000-000000000009", "head": {"n": 40, "hash": "00" * 32},
    }  # fmt: skip
    client = rig.own(harness.Subscriber(broker.port, client_id="old-bench", topic="nothing"))
    client._client.publish(f"{harness.ROOT}/state", json.dumps(state), qos=1, retain=True)
    wait_until(
        lambda: historian.rows("SELECT FROM benchtally.journals WHERE tries > 1"), "asked twice"
    )
    code, said = gaps(rig, historian)
    assert code == 1
    assert "no-answer" in said
    assert worker.stop() == 0, worker.said()


def test_status_says_how_each_bench_is_and_which_slots_are_served(rig, broker, conninfo, drafts):
    historian = Historian(rig, broker.port, conninfo, slots=2, gaps=QUICK)
    fill(rig, broker, drafts)
    daemon = rig.daemon()
    delivered(rig)
    worker = historian.worker("--slot", "0")
    historian.listening(worker)
    wait_until(
        lambda: historian.rows("SELECT FROM benchtally.journals WHERE compared = head"), "compared"
    )
    command = ("historian", "status", "--config", historian.config)
    done = rig.bare(*command)
    assert done.returncode == 1
    assert done.stdout.endswith("slots served: 1 of 2; nobody serves 1\n")
    other = historian.worker("--slot", "1")
    historian.listening(other)
    complete(historian)
    done = rig.bare(*command)
    assert done.returncode == 0, done.stdout
    assert done.stdout.endswith("slots served: 2 of 2\n")
    (said,) = map(json.loads, rig.bare(*command, "--json").stdout.splitlines())
    assert (said["bench"], said["state"], said["incomplete"]) == (harness.BENCH, "online", 0)
    assert said["compared"] == said["head"] == rig.length()
    assert daemon.stop() == 0, daemon.said()
    wait_until(
        lambda: json.loads(rig.bare(*command, "--json").stdout)["state"] == "offline", "offline"
    )
    assert worker.stop() == 0, worker.said()
    assert other.stop() == 0, other.said()


def test_a_million_readings_between_cost_a_list_nothing(rig, drafts):
    """It is read by the index of subjects, which no reading is in."""
    append(rig, drafts(1))
    with sqlite3.connect(rig.journal) as journal:
        plan = journal.execute(f"EXPLAIN QUERY PLAN SELECT n {OTHERS} AND n > 0").fetchall()
    assert len(plan) == 1
    assert (
        "USING COVERING INDEX entries_by_subject" in plan[0][3]
        or "entries_by_subject" in plan[0][3]
    )
