"""What a bench may leave in a real PostgreSQL has bounds; what is refused is told and taken up."""

import json
import uuid
from contextlib import closing

import harness
import psycopg
import pytest
from historian_bench import Historian
from historian_looker import JOURNAL, Looker

from capture.clock import SystemClock
from capture.historian import waiting
from capture.historian.reuse import Numbers
from capture.historian.settings import Bounds
from capture.historian.store import LOOK_LOCK, Database
from capture.historian.storing import Storing
from capture.model import new_id
from capture.publish.arrivals import Received

FEW = Bounds(benches=2, journals=3, instruments=3, missing=4)


@pytest.fixture
def historian(rig, server):
    """The tables; no worker: each test is one itself."""
    return Historian(rig, 1, server.database())


@pytest.fixture
def looker(database):
    return Looker(database, FEW)


def journal(number):
    return str(uuid.UUID(int=number))


def refusals(historian):
    return historian.rows("SELECT bench, what, times FROM benchtally.refusals ORDER BY 1, 2")


def told(looker, event="historian.refused"):
    return [more["what"] for each, more in looker.told if each == event]


def shown(historian, state):
    return historian.rows(
        "SELECT what, first, last FROM benchtally.incomplete WHERE state = %s ORDER BY 1, 2", state
    )


def test_a_bench_without_end_of_new_journals_leaves_a_bounded_number_of_rows(historian, looker):
    for number in range(1, 40):
        assert looker.state(n=5, journal=journal(number))[1] == []
    ((count,),) = historian.rows("SELECT count(*) FROM benchtally.journals")
    assert count == FEW.journals
    assert refusals(historian) == [(harness.BENCH, "journals", 36)]
    assert told(looker) == ["journals"], "once, not each time"
    assert ("journals", None, None) in shown(historian, "refused")
    ((state, refused),) = historian.rows("SELECT state, refused FROM benchtally.benches")
    assert (state, refused) == ("not-told", "journals")
    # A journal that it has no more is asked for nothing.
    assert looker.look() == []
    assert refusals(historian) == [(harness.BENCH, "journals", 36)]


def test_a_refused_journal_is_compared_as_soon_as_there_is_room(historian, looker):
    for number in range(1, 5):
        looker.state(n=5, journal=journal(number))
    looker.state("offline", n=None, journal=journal(4))
    looker.state(n=None, journal=journal(4))
    assert looker.look() == []
    looker.bounds = Bounds(journals=4)
    assert [each["list_after"] for each in looker.look()] == [0]
    assert refusals(historian) == []
    current = historian.rows("SELECT journal, head FROM benchtally.journals WHERE is_current")
    assert current == [(uuid.UUID(int=4), 5)], "the last will took no head away"


def test_a_state_that_another_worker_hears_meanwhile_is_not_undone(historian, looker, monkeypatch):
    """The refused journal was taken for the bench's, which had said another one in between."""
    for number in range(1, 5):
        looker.state(n=5, journal=journal(number))
    looker.bounds = Bounds()
    meanwhile = []
    with closing(Database(historian.conninfo, "")) as another:
        other, fetch = Looker(another), looker.database.fetch

        def fetch_slowly(query, arguments=()):
            rows = fetch(query, arguments)
            if "refusals r WHERE what = 'journals'" in query:
                meanwhile.extend(other.state(n=5, journal=journal(5))[1])
            return rows

        monkeypatch.setattr(looker.database, "fetch", fetch_slowly)
        looker.look()
        other.hear(*meanwhile)
    current = historian.rows("SELECT journal FROM benchtally.journals WHERE is_current")
    assert current == [(uuid.UUID(int=5),)]


def test_a_refused_journal_that_the_bench_has_no_more_stays_told_until_somebody_settles_it(
    historian, looker
):
    for number in range(1, 5):
        looker.state(n=5, journal=journal(number))
    looker.state(n=5, journal=journal(2))
    looker.bounds = Bounds()
    looker.look()
    assert refusals(historian) == [(harness.BENCH, "journals", 1)]
    current = historian.rows("SELECT journal FROM benchtally.journals WHERE is_current")
    assert current == [(uuid.UUID(int=2),)]


def test_journals_of_which_all_is_known_make_room_the_oldest_first(historian, looker):
    """A bench on a disk that forgets begins a new journal at each start."""
    for number in range(1, 9):
        looker.state(n=40, journal=journal(number))
        (request,) = looker.look()
        looker.answer(request, journal=journal(number))
    rows = historian.rows("SELECT journal FROM benchtally.journals ORDER BY heard_at")
    assert rows == [(uuid.UUID(int=number),) for number in (6, 7, 8)]
    assert refusals(historian) == []
    assert shown(historian, "gone") == []


def test_journals_of_which_something_is_missing_make_no_room(historian, looker):
    for number in range(1, 4):
        looker.state(n=40, journal=journal(number))
        request = next(each for each in looker.look() if "list_after" in each)
        looker.answer(request, journal=journal(number), entries=[[7, "tag", str(new_id())]])
    looker.state(n=40, journal=journal(4))
    assert refusals(historian) == [(harness.BENCH, "journals", 1)]
    assert shown(historian, "gone") == [("tags", 7, 7)] * 3


def test_more_benches_than_there_is_room_for_make_one_row_whatever_they_are_called(
    historian, looker
):
    for number in range(30):
        looker.state(root=f"benchtally/v1/sawmill/bench-{number}")
    benches = historian.rows("SELECT bench FROM benchtally.journals ORDER BY 1")
    assert benches == [("bench-0",), ("bench-1",)]
    assert refusals(historian) == [("", "benches", 28)]
    assert told(looker) == ["benches"]
    looker.state("offline", root="benchtally/v1/sawmill/bench-1")
    assert historian.rows(
        "SELECT state FROM benchtally.journals WHERE bench = 'bench-1'"
    ) == [("offline",)], "one that is known is heard"  # fmt: skip
    asked = ("historian", "status", "--config", historian.config)
    assert "benches never heard of before: benches refused 28 times" in rig_says(historian, asked)


def rig_says(historian, asked):
    return historian.rig.bare(*asked).stdout


def test_a_list_adds_instruments_as_there_is_room_and_the_rest_is_asked_for_later(
    historian, looker
):
    looker.state(n=40)
    (request,) = looker.look()
    many = {f"ohm-{number}": [1, 2] for number in range(9)}
    looker.answer(request, sequences=many)
    names = historian.rows("SELECT instrument FROM benchtally.instruments ORDER BY 1")
    assert names == [("ohm-0",), ("ohm-1",), ("ohm-2",)]
    assert refusals(historian) == [(harness.BENCH, "instruments", 6)]
    assert ("instruments", None, None) in shown(historian, "refused")
    assert not [each for each in looker.look() if "list_after" in each], "not without end"
    # Those that are known are told of all the same.
    looker.state(n=41)
    request = next(each for each in looker.look() if "list_after" in each)
    looker.answer(request, after_hash="7f" * 32, reached=41, sequences=many | {"ohm-2": [1, 5]})
    assert historian.rows(
        "SELECT told FROM benchtally.instruments WHERE instrument = 'ohm-2'"
    ) == [(5,)]  # fmt: skip
    looker.bounds = Bounds(instruments=20)
    request = next(each for each in looker.look() if "list_after" in each)
    looker.answer(request, after_hash="7f" * 32, reached=41, sequences=many)
    ((count,),) = historian.rows("SELECT count(*) FROM benchtally.instruments")
    assert count == 9
    assert refusals(historian) == []


def test_one_that_lists_what_it_never_sends_is_asked_for_no_further_list(historian, looker):
    after, hashed, pages = 0, "00" * 32, 0
    for _ in range(9):
        looker.state(n=1000)
        requests = [each for each in looker.look() if "list_after" in each]
        if not requests:
            break
        entries = [[after + k, "tag", str(new_id())] for k in (1, 2)]
        looker.answer(
            requests[0], after_hash=hashed, reached=after + 2, reached_hash="7f" * 32,
            entries=entries, sequences=None,
        )  # fmt: skip
        after, hashed, pages = after + 2, "7f" * 32, pages + 1
    assert pages == 2
    assert refusals(historian) == [(harness.BENCH, "lists", 1)]
    for _ in range(5):
        looker.look()
    assert len(shown(historian, "given-up")) == 4
    looker.bounds = Bounds()
    assert [each for each in looker.look() if "list_after" in each]
    assert refusals(historian) == []


def message(topic, **said):
    return Received(topic, json.dumps({"schema_version": 1} | said).encode(), None)


def test_what_benches_say_while_another_worker_holds_the_place_is_bounded_and_told(
    historian, database, looker, monkeypatch
):
    """Entries are stored meanwhile; the newest state of each bench is not forgotten."""
    monkeypatch.setattr(waiting, "_MOST_WORDS", 10)
    looker.state(n=3)
    now = [0.0]
    clock = SystemClock()
    clock.monotonic = lambda: now[0]
    storing = Storing(database, clock, looker.tell, Bounds(), Numbers())
    done = {"request": "r-1", "instrument": "ohm-1", "first": 1, "last": 2, "sent": 2}
    try:
        with psycopg.connect(historian.conninfo, autocommit=True) as another:
            another.execute("SELECT pg_advisory_lock(%s)", (LOOK_LOCK,))
            for number in range(15):
                batch = [message(f"{harness.ROOT}/resent", **done)] * 5
                batch += [
                    message(
                        f"{harness.ROOT}/state", state="online", journal=JOURNAL,
                        head={"n": number},
                    )
                ]  # fmt: skip
                storing.begin(batch)
                storing.wait()
                assert storing.stored() == batch
                assert storing.waiting <= 10
                now[0] += 1.5
        assert storing.dropped == 15 * 5 - 9
        ((bench, what, times),) = refusals(historian)
        assert (bench, what) == (harness.BENCH, "words")
        assert 0 < times <= storing.dropped
        assert told(looker) == ["words"]
        storing.begin([])
        storing.wait()
        storing.stored()
        assert storing.waiting == 0
        assert historian.rows("SELECT head FROM benchtally.journals") == [(14,)]
    finally:
        storing.end()
    request = next(each for each in looker.look() if "list_after" in each)
    looker.answer(request)
    looker.look()
    assert refusals(historian) == [], "the bench was asked again and answered"
