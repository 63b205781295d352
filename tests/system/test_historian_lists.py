"""What benches say, written down in a real PostgreSQL; and what is asked of it, look by look."""

import json
import uuid

import harness
import psycopg
import pytest
from historian_bench import Historian
from historian_looker import JOURNAL, Looker

from capture.historian.intake import row_of
from capture.historian.settings import Gaps
from capture.historian.store import LOOK_LOCK, Database
from capture.historian.words import StateWord, word_of
from capture.model import new_id

TOPIC = f"{harness.ROOT}/reading/ohm-1/resistance"
BENCH = (harness.SITE, harness.BENCH)


@pytest.fixture
def historian(rig, server):
    """The tables; no worker: each test is one itself."""
    return Historian(rig, 1, server.database())


@pytest.fixture
def looker(historian):
    database = Database(historian.conninfo, "")
    database.prepare()
    yield Looker(database)
    database.close()


@pytest.fixture
def store(looker, drafts):
    """Store readings with these sequence numbers."""

    def stored(*numbers):
        items = []
        for draft, number in zip(drafts(len(numbers)), numbers, strict=True):
            payload = json.dumps(
                json.loads(draft.model_dump_json()) | {"sequence": number}
            ).encode()
            items.append((row_of(TOPIC, payload), TOPIC, payload))
        looker.database.store(items)

    return stored


def incomplete(historian):
    return historian.rows(
        "SELECT what, instrument, first, last, state FROM benchtally.incomplete ORDER BY 1, 2, 3, 4"
    )


def ids(count):
    return [str(new_id()) for _ in range(count)]


def test_a_bench_is_asked_for_its_list_until_it_says_that_there_is_no_more(historian, looker):
    assert looker.state() == (True, [])
    (request,) = looker.look()
    assert request["list_after"] == 0
    assert looker.look(Gaps(wait_s=60)) == [], "a question is open"
    one, two = ids(2)
    assert looker.answer(request, reached=30, entries=[[7, "tag", one]], sequences=None)[0]
    assert ("all but readings", "", 31, 40, "not-compared") in incomplete(historian)
    sent, request = looker.look()
    assert (sent["first_entry"], sent["last_entry"]) == (7, 7)
    assert request["list_after"] == 30
    looker.answer(request, after_hash="7f" * 32, entries=[[31, "result", two]])
    assert incomplete(historian) == [("results", "", 31, 31, "open"), ("tags", "", 7, 7, "open")]
    assert [each.get("list_after") for each in looker.look()] == [None, None]


def test_a_list_that_is_full_to_the_last_entry_is_not_the_end_of_it(historian, looker):
    """Without word of how far readings count, one that is silent would show no hole."""
    looker.state(n=40)
    (request,) = looker.look()
    looker.answer(request, reached=40, sequences=None)
    assert incomplete(historian) == [("all but readings", "", 41, 41, "not-compared")]
    (request,) = looker.look()
    looker.answer(request, after_hash="7f" * 32, sequences={"ohm-1": [1, 3]})
    assert incomplete(historian) == [("readings", "ohm-1", 1, 3, "open")]


def test_readings_behind_the_last_one_that_came_are_asked_for(historian, looker, store):
    store(1, 2)
    looker.state()
    (request,) = looker.look()
    looker.answer(request, sequences={"ohm-1": [1, 9], "ohm-2": [4, 6]})
    asked = [(r["instrument"], r["first"], r["last"]) for r in looker.look()]
    assert asked == [("ohm-1", 3, 9), ("ohm-2", 4, 6)]
    # What the bench has cut off is given up at once, as soon as it stands alone.
    for instrument, first, last in asked:
        said = {"schema_version": 1, "request": "r", "instrument": instrument, "sent": 1}
        looker.hear(
            word_of(
                f"{harness.ROOT}/resent", json.dumps(said | {"first": first, "last": last}).encode()
            )
        )
    assert ("readings", "ohm-2", 1, 6, "open") in incomplete(historian)


def test_what_is_left_of_a_hole_is_due_when_the_hole_was(historian, looker, store):
    """A million readings would else wait anew after each ten thousand."""
    store(1, 30_000)
    patient = Gaps(every_s=1, wait_s=3600, tries=2)
    assert looker.look(patient) == []
    historian.rows("UPDATE benchtally.gaps SET found_at = found_at - interval '1 day' RETURNING 1")
    (request,) = looker.look(patient)
    assert (request["first"], request["last"]) == (2, 10_001)
    store(*range(2, 10_002))
    assert looker.look(patient) == [], "it was asked for a moment ago"
    said = request | {"schema_version": 1, "request": request["id"], "sent": 10_000}
    assert looker.hear(word_of(f"{harness.ROOT}/resent", json.dumps(said).encode())) == (True, [])
    (request,) = looker.look(patient)
    assert (request["first"], request["last"]) == (10_002, 20_001)
    assert historian.rows("SELECT tries FROM benchtally.gaps") == [(1,)]


@pytest.mark.parametrize("state", ["online", "offline"])
def test_one_that_is_offline_is_not_asked_and_nothing_is_given_up_for_it(
    historian, looker, store, state
):
    store(1, 3)
    looker.state()
    (request, hole) = sorted(looker.look(), key=lambda each: "first" in each)
    assert hole["first"] == 2
    looker.answer(request, entries=[[7, "tag", ids(1)[0]]])
    looker.state(state)
    for _ in range(6):
        looker.look()
    wanted = "given-up" if state == "online" else "open"
    assert {row[4] for row in incomplete(historian)} == {wanted}
    assert len(incomplete(historian)) == 2


def test_answers_that_nobody_here_asked_for_change_nothing(historian, looker):
    looker.state()
    (request,) = looker.look()
    before = historian.rows("SELECT * FROM benchtally.journals")
    looker.answer(request | {"id": "somebody-else"}, sequences={"ohm-7": [1, 9]})
    looker.answer(request, journal=str(uuid.UUID(int=7)), sequences={"ohm-7": [1, 9]})
    looker.answer(request | {"list_after": 12}, sequences={"ohm-7": [1, 9]})
    assert historian.rows("SELECT * FROM benchtally.journals") == before
    assert historian.rows("SELECT FROM benchtally.instruments") == []


def test_a_bench_with_another_journal_leaves_what_was_not_compared_of_the_first(historian, looker):
    looker.state(n=40)
    looker.state(n=3, journal="01990000-0000-7000-8000-000000000002")
    assert incomplete(historian) == [
        ("all but readings", "", 1, 3, "not-compared"),
        ("all but readings", "", 1, 40, "gone"),
    ]
    assert [request["list_after"] for request in looker.look()] == [0]


def test_what_came_in_the_last_moments_of_a_bench_that_is_offline_is_not_vouched_for(
    historian, looker
):
    looker.state(n=40)
    (request,) = looker.look()
    looker.answer(request)
    looker.state(n=43)
    assert incomplete(historian) == [], "compared in a moment"
    looker.state("offline", n=45)
    assert incomplete(historian) == [("all but readings", "", 41, 45, "offline")]
    assert looker.look() == []
    assert looker.state(n=45) == (True, []), "it is asked soon"
    (request,) = looker.look()
    looker.answer(request, after_hash="7f" * 32, reached=45)
    assert looker.state(n=46) == (False, []), "what comes by and by is asked for by and by"
    looker.answer(looker.look()[0], after_hash="7f" * 32, reached=46)
    assert incomplete(historian) == []


def test_the_last_will_has_no_head_and_takes_none_away(historian, looker):
    looker.state(n=40)
    looker.state("offline", n=None)
    assert historian.rows("SELECT state, head, first_head FROM benchtally.journals") == [
        ("offline", 40, 40)
    ]


def test_the_same_state_from_the_broker_again_is_not_heard_anew(historian, looker):
    looker.state()
    before = historian.rows("SELECT heard_at FROM benchtally.journals")
    looker.state()
    assert historian.rows("SELECT heard_at FROM benchtally.journals") == before
    looker.state("offline")
    assert historian.rows("SELECT heard_at FROM benchtally.journals") > before


def test_of_many_states_of_a_bench_the_last_one_holds(historian, looker):
    online = StateWord(schema_version=1, state="online", journal=uuid.UUID(JOURNAL))
    offline = online.model_copy(update={"state": "offline"})
    looker.hear(*[(*BENCH, word) for word in (offline, online, offline)])
    assert historian.rows("SELECT state FROM benchtally.journals") == [("offline",)]


def test_where_another_worker_holds_the_place_what_was_said_is_kept_for_the_next_time(
    historian, looker
):
    """It may hang for as long as it likes: entries are stored meanwhile."""
    looker.state()
    (request,) = looker.look()
    with psycopg.connect(historian.conninfo, autocommit=True) as another:
        another.execute("SELECT pg_advisory_lock(%s)", (LOOK_LOCK,))
        soon, left = looker.answer(request)
        assert (soon, len(left)) == (False, 1)
        assert looker.look() == []
        # What comes behind it waits with it, without another look at the place.
        state = StateWord(schema_version=1, state="offline", journal=uuid.UUID(JOURNAL))
        assert looker.hear(*left, (*BENCH, state))[1] == [*left, (*BENCH, state)]
    assert looker.hear(*left) == (True, [])
    assert incomplete(historian) == []


def test_what_the_database_refuses_is_passed_over_and_told(historian, looker):
    huge = StateWord(schema_version=1, state="online", journal=uuid.UUID(JOURNAL))
    huge = huge.model_copy(update={"dead_letters": 1 << 40})
    fine = StateWord(schema_version=1, state="online", journal=uuid.UUID(JOURNAL))
    assert looker.hear((*BENCH, huge), ("sawmill", "bench-2", fine))[1] == []
    assert [event for event, _ in looker.told] == ["historian.not_understood"]
    assert historian.rows("SELECT bench FROM benchtally.journals") == [("bench-2",)]


def test_what_was_given_up_and_came_after_all_is_not_missing(historian, looker, store):
    store(1, 4)
    for _ in range(4):
        looker.look()
    assert incomplete(historian)[-1][2:] == (2, 3, "given-up")
    store(2)
    assert incomplete(historian)[-1][2:] == (2, 3, "given-up")
    store(3)
    assert [row for row in incomplete(historian) if row[0] == "readings"] == []


def test_entries_that_follow_each_other_are_one_request_and_a_soon_look_asks_for_one(looker):
    looker.state(n=900)
    (request,) = looker.look()
    many = ids(40)
    entries = [[n, "tag", each] for n, each in enumerate(many[:20], 1)]
    entries += [[n, "gap", each] for n, each in enumerate(many[20:], 500)]
    looker.answer(request, entries=entries, reached=900)
    (request,) = looker.look(soon=True)
    assert (request["first_entry"], request["last_entry"]) == (1, 519)


def test_a_bench_that_counts_to_the_end_of_all_numbers_holds_up_no_look(historian, looker, store):
    """Twice the largest bigint: one more than it cannot be reckoned with."""
    store((1 << 63) - 1, (1 << 63) - 1, 1)
    asked = looker.look()
    assert [(each["first"], each["last"]) for each in asked] == [(2, 10_001)]
    for _ in range(4):
        looker.look()
    assert incomplete(historian)[-1][2:] == (2, (1 << 63) - 2, "given-up")


def test_a_bench_that_lacks_much_keeps_no_other_from_being_asked(historian, looker):
    """The first of them by name would else fill every look, as long as it says that it lacks it."""
    looker.state(n=40)
    looker.answer(looker.look()[-1], entries=[[7, "tag", ids(1)[0]]])
    journal = str(uuid.UUID(int=7))
    historian.rows(
        "WITH j AS (INSERT INTO benchtally.journals (site, bench, journal, is_current, state, head,"
        " compared, counted) VALUES (%s, 'a-first', %s, true, 'online', 9000, 9000, true)) "
        "INSERT INTO benchtally.missing (site, bench, id, journal, n, kind, follows, due_at) "
        "SELECT %s, 'a-first', gen_random_uuid(), %s, n, 'tag', false, '-infinity' "
        "FROM generate_series(1, 2400) n RETURNING 1",
        harness.SITE, journal, harness.SITE, journal,
    )  # fmt: skip
    looker.look()
    assert {bench for _, bench, _ in looker.asked} == {"a-first", harness.BENCH}


def test_one_that_goes_on_counting_what_never_comes_is_not_asked_for_all_of_it_each_time(
    historian, looker, store
):
    """As an instrument whose readings are all refused here: ten thousand would come each time."""
    store(1)
    asked = []
    for told in (*range(10, 100, 10), *[90] * 4):
        looker.state(n=told)
        for request in looker.look():
            if "list_after" in request:
                after = "7f" * 32 if request["list_after"] else "00" * 32
                looker.answer(
                    request, after_hash=after, reached=told, sequences={"ohm-1": [1, told]}
                )
            else:
                asked.append((request["first"], request["last"]))
    assert {each: asked.count(each) for each in asked} == {
        (first, first + 9 if first > 2 else 10): 2 for first in (2, *range(11, 90, 10))
    }
    assert incomplete(historian) == [
        ("readings", "ohm-1", 2, 80, "given-up"),
        ("readings", "ohm-1", 81, 90, "given-up"),
    ]
    # What comes behind it all makes nothing of it new.
    store(91)
    assert looker.look() == []
    assert incomplete(historian) == [("readings", "ohm-1", 2, 90, "given-up")]
    store(50)
    looker.look()
    assert incomplete(historian) == [("readings", "ohm-1", 2, 90, "given-up")]


def test_what_was_asked_at_a_moment_that_is_still_to_come_is_asked_again(historian, looker, store):
    """As where the database's clock was a year ahead for a while: it would else be asked in a year."""
    store(1, 3)
    looker.state(n=40)
    request = next(each for each in looker.look() if "list_after" in each)
    looker.answer(request, entries=[[7, "tag", ids(1)[0]]], reached=30, sequences=None)
    patient = Gaps(every_s=1, wait_s=3600, tries=9, requests=9)
    looker.look(patient)
    assert looker.look(patient) == [], "all of it was asked for a moment ago"
    for column in ("gaps.asked_at", "missing.due_at", "journals.asked_at"):
        table, name = column.split(".")
        historian.rows(
            f"UPDATE benchtally.{table} SET {name} = now() + interval '1 year' RETURNING 1"
        )
    asked = {frozenset(request) - {"id"} for request in looker.look(patient)}
    assert asked == {
        frozenset({"instrument", "first", "last"}),
        frozenset({"first_entry", "last_entry"}),
        frozenset({"list_after"}),
    }
    assert looker.look(patient) == []
