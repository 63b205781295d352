"""Sequence numbers that two readings have, in a real PostgreSQL: noticed, told, both kept."""

import json
from dataclasses import replace

import harness
import pytest
from historian_bench import Historian
from historian_looker import Looker

from capture.historian.intake import row_of
from capture.historian.reuse import Numbers, look_up
from capture.historian.settings import Gaps
from capture.historian.settle import Which, settle
from capture.historian.store import Database
from capture.historian.words import word_of

TOPIC = f"{harness.ROOT}/reading/ohm-1/resistance"


@pytest.fixture
def historian(rig, server):
    """The tables; no worker: each test is one itself."""
    return Historian(rig, 1, server.database())


@pytest.fixture
def numbers():
    return Numbers()


@pytest.fixture
def database(historian, numbers):
    made = Database(historian.conninfo, "", numbers.add)
    made.prepare()
    yield made
    made.close()


@pytest.fixture
def looker(database):
    return Looker(database)


@pytest.fixture
def items(drafts):
    def made(*sequence, **members):
        found = []
        for draft, number in zip(drafts(len(sequence)), sequence, strict=True):
            said = json.loads(draft.model_dump_json()) | {"sequence": number} | members
            payload = json.dumps(said).encode()
            found.append((row_of(TOPIC, payload), TOPIC, payload))
        return found

    return made


def reused(historian):
    return historian.rows("SELECT bench, instrument, first, last FROM benchtally.reused")


def test_numbers_that_are_used_again_after_an_older_journal_was_put_back_are_told_once(
    historian, database, numbers, looker, items
):
    first = items(*range(1, 151))
    database.store(first)
    look_up(database, numbers, looker.tell)
    assert reused(historian) == []
    database.store(items(*range(101, 141)))
    look_up(database, numbers, looker.tell)
    assert reused(historian) == [(harness.BENCH, "ohm-1", 101, 140)]
    database.store(items(*range(141, 161)))
    look_up(database, numbers, looker.tell)
    assert reused(historian) == [(harness.BENCH, "ohm-1", 101, 150)]
    assert [event for event, _ in looker.told] == ["historian.sequence_reused"]
    assert historian.count() == 150 + 60, "both are kept"
    shown = historian.rows("SELECT first, last FROM benchtally.incomplete WHERE state = 'reused'")
    assert shown == [(101, 150)]


def test_a_second_delivery_of_the_same_readings_is_no_reuse(
    historian, database, numbers, looker, items
):
    batch = items(*range(1, 51))
    database.store(batch)
    database.store(batch[10:])
    look_up(database, numbers, looker.tell)
    assert reused(historian) == []
    assert database.quarantined == 0


def test_two_workers_that_share_the_stream_notice_it_whoever_gets_what(
    historian, database, numbers, looker, items
):
    other_numbers = Numbers()
    other = Database(historian.conninfo, "", other_numbers.add)
    other.prepare()
    try:
        database.store(items(1, 3, 5, 7, 9))
        other.store(items(2, 4, 6, 8))
        numbers.clear(), other_numbers.clear()
        # Put back to 4: 5 to 8 are used again, each by whoever did not have it before.
        other.store(items(5, 7))
        database.store(items(6, 8))
        look_up(other, other_numbers, looker.tell)
        look_up(database, numbers, looker.tell)
    finally:
        other.close()
    assert reused(historian) == [(harness.BENCH, "ohm-1", 5, 8)]


def test_what_was_settled_is_told_again_only_where_one_more_came(
    historian, database, numbers, looker, items
):
    first, second = items(*range(1, 11)), items(5, 6)
    database.store([*first, *second])
    look_up(database, numbers, looker.tell)
    assert reused(historian) == [(harness.BENCH, "ohm-1", 5, 6)]
    settle(database, Which(harness.SITE, harness.BENCH, "reused"), "lead", "put back")
    database.store([*first, *second])
    look_up(database, numbers, looker.tell)
    assert reused(historian) == []
    database.store(items(6))
    look_up(database, numbers, looker.tell)
    assert reused(historian) == [(harness.BENCH, "ohm-1", 6, 6)]


def test_another_text_under_an_id_that_is_stored_is_kept_in_quarantine(historian, database, items):
    """It would else pass for a second delivery of the first, and be gone."""
    (one,) = items(1)
    _, topic, payload = one
    other = payload.replace(b'"digits":"0.', b'"digits":"1.')
    said = json.loads(payload)
    said["digits"] = "7.7777"
    other = json.dumps(said).encode()
    database.store([one])
    database.store([(row_of(topic, other), topic, other), one, *items(2)])
    rows = historian.rows("SELECT reason, payload FROM benchtally.quarantine")
    assert rows == [("its id is stored already, with another text", other)]
    assert historian.count() == 2
    body = historian.rows("SELECT body FROM benchtally.readings WHERE sequence = 1")
    assert body == [(payload.decode(),)]


def test_two_texts_of_one_id_in_one_batch_are_both_kept(historian, database, items):
    (one,) = items(1)
    row, topic, payload = one
    other = payload.replace(b"{", b"{ ", 1)
    database.store([one, (replace(row, columns=(*row.columns[:-1], other.decode())), topic, other)])
    assert historian.count() == 1
    bodies = historian.rows(
        "SELECT body FROM benchtally.readings UNION ALL "
        "SELECT convert_from(payload, 'UTF8') FROM benchtally.quarantine"
    )
    assert {body for (body,) in bodies} == {payload.decode(), other.decode()}


def test_what_a_killed_worker_had_not_looked_up_is_found_once_the_bench_is_compared(
    historian, database, numbers, looker, items
):
    database.store(items(*range(1, 31)))
    database.store(items(*range(20, 26)))
    numbers.clear()  # killed before it looked
    looker.state(n=40)
    (request,) = looker.look()
    looker.answer(request, sequences={"ohm-1": [1, 25]})
    looker.state(n=25)
    request = next(each for each in looker.look() if "list_after" in each)
    # Its entry 40 is another one, or none: the journal was put back.
    looker.answer(request, after_hash=None, reached=25)
    assert "historian.journal_changed" in [event for event, _ in looker.told]
    request = next(each for each in looker.look() if "list_after" in each)
    looker.answer(request, reached=25, sequences={"ohm-1": [1, 25]})
    assert reused(historian) == []
    (asked,) = looker.look()
    assert (asked["instrument"], asked["first"], asked["last"]) == ("ohm-1", 1, 25)
    assert reused(historian) == [(harness.BENCH, "ohm-1", 20, 25)]
    rows = historian.rows(
        "SELECT first, last FROM benchtally.incomplete WHERE state = 'not-compared'"
    )
    assert rows == [(1, 25)], "whether all that it has now is here is not known"
    assert looker.look(Gaps(wait_s=60)) == []
    (asked,) = looker.look()
    assert [event for event, _ in looker.told].count("historian.sequence_reused") == 1
    said = asked | {"schema_version": 1, "request": asked["id"], "sent": 25}
    looker.hear(word_of(f"{harness.ROOT}/resent", json.dumps(said).encode()))
    assert looker.look() == []
    states = historian.rows("SELECT state FROM benchtally.incomplete")
    assert states == [("reused",)]


def test_what_the_bench_cut_off_meanwhile_is_not_asked_for(historian, database, looker, items):
    database.store(items(*range(1, 31)))
    looker.state(n=40)
    (request,) = looker.look()
    looker.answer(request, sequences={"ohm-1": [1, 30], "ohm-2": [0, 0]})
    historian.rows("UPDATE benchtally.journals SET recheck = true RETURNING 1")
    (asked,) = looker.look()
    assert (asked["first"], asked["last"]) == (1, 30)
    historian.rows("UPDATE benchtally.instruments SET begins = 20 RETURNING 1")
    (asked,) = looker.look()
    assert (asked["first"], asked["last"]) == (20, 30)
    historian.rows("UPDATE benchtally.instruments SET begins = 31 RETURNING 1")
    assert looker.look() == []
    assert historian.rows("SELECT FROM benchtally.incomplete WHERE instrument = 'ohm-1'") == []
