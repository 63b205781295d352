"""What can never come is settled by a person, in a real PostgreSQL: who, why and what is kept."""

import json
import uuid

import harness
import psycopg
import pytest
from historian_bench import Historian
from historian_looker import JOURNAL, Looker

from capture.errors import HistorianError, InputError
from capture.historian import settle as settling
from capture.historian.intake import row_of
from capture.historian.overview import ask_once_more
from capture.historian.settle import Which, settle
from capture.historian.store import LOOK_LOCK
from capture.model import new_id

TOPIC = f"{harness.ROOT}/reading/ohm-1/resistance"
SECOND = "01990000-0000-7000-8000-000000000002"
WHY = ("lead", "lost with its disk")


@pytest.fixture
def historian(rig, server):
    """The tables; no worker: each test is one itself."""
    return Historian(rig, 1, server.database())


@pytest.fixture
def looker(database):
    return Looker(database)


@pytest.fixture
def store(database, drafts):
    """Store readings with these sequence numbers."""

    def stored(*numbers):
        items = []
        for draft, number in zip(drafts(len(numbers)), numbers, strict=True):
            said = json.loads(draft.model_dump_json()) | {"sequence": number}
            payload = json.dumps(said).encode()
            items.append((row_of(TOPIC, payload), TOPIC, payload))
        database.store(items)

    return stored


def which(state, **more):
    return Which(harness.SITE, harness.BENCH, state, **more)


def incomplete(historian):
    return historian.rows(
        "SELECT what, instrument, first, last, state FROM benchtally.incomplete ORDER BY 1, 2, 3, 4"
    )


def settled(historian):
    return historian.rows(
        "SELECT operator, reason, what, instrument, first, last, state, journal "
        "FROM benchtally.settled ORDER BY n"
    )


def test_a_journal_that_is_gone_is_settled_with_what_was_missing_of_it(historian, looker):
    looker.state(n=40)
    (request,) = looker.look()
    looker.answer(request, reached=30, entries=[[7, "tag", str(new_id())]], sequences=None)
    looker.state(n=3, journal=SECOND)
    rows = incomplete(historian)
    assert ("tags", "", 7, 7, "gone") in rows
    assert ("all but readings", "", 31, 40, "gone") in rows
    assert settle(looker.database, which("gone"), *WHY) == 2
    assert {row[4] for row in incomplete(historian)} == {"not-compared"}
    first = uuid.UUID(JOURNAL)
    assert settled(historian) == [
        (*WHY, "tags", "", 7, 7, "gone", first),
        (*WHY, "all but readings", "", 31, 40, "gone", first),
    ]
    assert settle(looker.database, which("gone"), *WHY) == 0
    # Put back after all, it is compared from its beginning.
    looker.state(n=40)
    assert [each["list_after"] for each in looker.look() if "list_after" in each] == [0]


def test_what_had_been_cut_off_a_journal_that_is_gone_is_settled_with_it_and_kept(
    historian, looker
):
    looker.state(n=40)
    (request,) = looker.look()
    looker.answer(request, begins_after=20, reached=30, sequences=None)
    looker.state(n=3, journal=SECOND)
    assert settle(looker.database, which("gone"), *WHY) == 2
    assert {row[4] for row in incomplete(historian)} == {"not-compared"}
    assert [row[4:7] for row in settled(historian)] == [(1, 20, "cut-off"), (31, 40, "gone")]


def test_readings_that_were_given_up_are_settled_and_stay_so(historian, looker, store):
    """Whatever comes near them: neither a look nor a retry asks for them again."""
    store(1, 10, 20)
    for _ in range(6):
        looker.look()
    assert {row[4] for row in incomplete(historian)} >= {"given-up"}
    assert settle(looker.database, which("given-up", instrument="ohm-1", first=2), *WHY) == 1
    rows = [row for row in incomplete(historian) if row[4] == "given-up"]
    assert rows == [("readings", "ohm-1", 11, 19, "given-up")]
    store(5, 21, 30)
    for _ in range(3):
        assert all(each.get("first", 22) >= 11 for each in looker.look())
    assert settle(looker.database, which("given-up"), *WHY) >= 1
    assert ask_once_more(looker.database) == 0
    looker.look()
    assert [row for row in incomplete(historian) if row[0] == "readings"] == []
    assert {row[0] for row in settled(historian)} == {"lead"}


def test_what_is_left_of_a_settled_hole_below_one_that_is_open_is_not_asked_for(
    historian, looker, store
):
    """The look has not passed it: it is compared each time."""
    store(1, 10)
    for _ in range(3):
        looker.look()
    historian.rows("UPDATE benchtally.instruments SET whole = 0 RETURNING 1")
    assert settle(looker.database, which("given-up"), *WHY) == 1
    store(5)
    historian.rows("UPDATE benchtally.instruments SET whole = 0 RETURNING 1")
    assert looker.look() == []
    states = historian.rows("SELECT first, last, state FROM benchtally.gaps ORDER BY 1")
    assert states == [(2, 4, "settled"), (6, 9, "settled")]


def test_what_may_still_come_cannot_be_settled(historian, looker, store):
    store(1, 3)
    looker.state(n=40)
    looker.look()
    before = incomplete(historian)
    for state in settling.STATES:
        assert settle(looker.database, which(state), *WHY) == 0
    assert incomplete(historian) == before
    assert settled(historian) == []


def test_entries_that_were_given_up_are_settled_one_by_one_or_together(historian, looker):
    looker.state(n=40)
    (request,) = looker.look()
    entries = [[n, "tag", str(new_id())] for n in (7, 8, 9)]
    looker.answer(request, entries=entries)
    for _ in range(4):
        looker.look()
    assert settle(looker.database, which("given-up", first=8), *WHY) == 1
    assert [row[2] for row in incomplete(historian)] == [7, 9]
    # Listed anew, as after a backup was put back there, it is still settled.
    historian.rows(
        "UPDATE benchtally.journals SET compared = 0, compared_hash = NULL, counted = false "
        "RETURNING 1"
    )
    request = next(each for each in looker.look() if "list_after" in each)
    looker.answer(request, entries=entries)
    assert [row[2] for row in incomplete(historian)] == [7, 9]
    assert settle(looker.database, which("given-up"), *WHY) == 2
    assert incomplete(historian) == []


@pytest.mark.parametrize(
    ("operator", "why"), [("", "lost"), ("lead", ""), ("lead", "x" * 501), ("le\x1bad", "lost")]
)
def test_nobody_settles_anything_without_a_name_and_a_reason(looker, operator, why):
    with pytest.raises(InputError, match=r"a line of \d+ to \d+ characters"):
        settle(looker.database, which("gone"), operator, why)


def test_where_a_worker_hangs_at_its_look_it_is_said_and_nothing_is_settled(
    historian, looker, monkeypatch
):
    monkeypatch.setattr(settling, "_PATIENCE", "SET LOCAL lock_timeout = '50ms'")
    with psycopg.connect(historian.conninfo, autocommit=True) as another:
        another.execute("SELECT pg_advisory_lock(%s)", (LOOK_LOCK,))
        with pytest.raises(HistorianError, match="see whether that worker hangs"):
            settle(looker.database, which("gone"), *WHY)


def test_the_command_settles_lists_and_says_where_there_is_nothing(historian, looker):
    looker.state(n=40)
    looker.state(n=0, journal=SECOND)
    more = ("--config", historian.config)
    bare = historian.rig.bare
    command = ("historian", "settle", f"{harness.SITE}/{harness.BENCH}", "--state", "gone")
    reason = ("--why", "lost with its disk", "--operator", "lead")
    done = bare(*command, *reason, *more)
    assert (done.returncode, done.stdout) == (
        0, "1 settled; `historian gaps --settled` lists what was\n",
    ), done.stderr  # fmt: skip
    again = bare(*command, *reason, *more)
    assert again.returncode == 2
    assert "nothing of that is gone" in again.stderr
    (row,) = bare("historian", "gaps", "--settled", "--json", *more).stdout.splitlines()
    kept = json.loads(row)
    assert (kept["operator"], kept["reason"]) == ("lead", "lost with its disk")
    assert (kept["first"], kept["last"], kept["state"]) == (1, 40, "gone")
    nowhere = bare("historian", "settle", "bench-1", "--state", "gone", *reason, *more)
    assert "say SITE/BENCH" in nowhere.stderr
