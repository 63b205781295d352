"""What a historian is missing and does not get: told, asked for once more on request; who is asked.

At a real mosquitto and a real PostgreSQL, with a bench's own daemon.
"""

import json
import sqlite3

import harness
import pytest
from historian_bench import Historian
from historian_lists_bench import (
    QUICK,
    append,
    complete,
    delivered,
    fill,
    gaps,
    wait_until,
)

from capture.journal.in_order import OTHERS

pytestmark = [pytest.mark.takes(10), pytest.mark.timeout(400)]


@pytest.fixture
def historian(rig, broker, conninfo):
    return Historian(rig, broker.port, conninfo, gaps=QUICK)


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
