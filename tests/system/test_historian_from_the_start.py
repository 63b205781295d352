"""What a bench published before anybody listened: asked for and got, or told not to be here.

At a real mosquitto and a real PostgreSQL, with a bench's own daemon.
"""

import harness
import psycopg
import pytest
from historian_bench import Historian
from historian_lists_bench import (
    PATIENCE,
    QUICK,
    append,
    bodies,
    complete,
    delivered,
    fill,
    gaps,
    tag,
    travels,
    wait_until,
)

pytestmark = [pytest.mark.takes(27), pytest.mark.timeout(400)]


@pytest.fixture
def historian(rig, broker, conninfo):
    return Historian(rig, broker.port, conninfo, gaps=QUICK)


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
