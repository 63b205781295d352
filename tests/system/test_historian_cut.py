"""The database goes away before each single statement of a worker's work; nothing is lost or half done."""

import json
import uuid

import harness
import psycopg
import pytest
from historian_bench import Historian
from historian_looker import AT_ONCE, JOURNAL, Looker

from capture.errors import HistorianError
from capture.historian.intake import row_of
from capture.historian.overview import ask_once_more
from capture.historian.reuse import Numbers, look_up
from capture.historian.settings import Bounds
from capture.historian.settle import Which, settle
from capture.historian.store import Database
from capture.model import new_id

pytestmark = pytest.mark.takes(10)

TOPIC = f"{harness.ROOT}/reading/ohm-1/resistance"
# Of about 250 statements; with 1 each of them is cut, which takes a minute on a quiet machine.
STEP = 29
TABLES = (
    "readings", "tags", "results", "records", "interruptions", "instruments", "gaps", "missing",
    "journals", "quarantine", "refusals", "settled", "reused",
)  # fmt: skip


class Axe:
    """Ends the server's side of a connection before its n-th statement."""

    def __init__(self, conninfo):
        self._other = psycopg.connect(conninfo, autocommit=True)
        self.left = None
        self.count = 0

    def close(self):
        self._other.close()

    def empty(self):
        """Empty all tables."""
        self._other.execute(f"TRUNCATE {', '.join(f'benchtally.{each}' for each in TABLES)}")

    def cursor(self):
        """Give the kind of cursor that tells of each statement before it is sent."""
        before = self.before

        class Cursor(psycopg.Cursor):
            def execute(self, *arguments, **more):
                before(self.connection)
                return super().execute(*arguments, **more)

        return Cursor

    def before(self, connection):
        self.count += 1
        if self.left is None:
            return
        self.left -= 1
        if self.left == 0:
            self.left = None
            pid = connection.info.backend_pid
            self._other.execute("SELECT pg_terminate_backend(%s, 30000)", (pid,))


class Work:
    """What a worker does, in steps each of which is done again where it fails, as a worker does."""

    def __init__(self, historian, axe, items, entries):
        self.historian, self.axe = historian, axe
        self.items, self.entries = items, entries
        self.database = None
        self.numbers = Numbers()
        self.failed = 0

    def again(self, step):
        for _ in range(3):
            try:
                if self.database is None:
                    self.database = Database(self.historian.conninfo, "", self.numbers.add)
                    self.database.prepare()
                    self.database.connection.cursor_factory = self.axe.cursor()
                    self.looker = Looker(self.database, Bounds(journals=2, instruments=2))
                return step()
            except (HistorianError, psycopg.Error):
                self.failed += 1
                self.database.close()
                self.database = None
        raise AssertionError("it failed three times")

    def all(self):
        readings, (tag, *_) = self.items, self.entries
        self.again(lambda: self.database.store(readings[:3]))
        self.again(lambda: self.database.store([*readings[1:5], (tag[0], tag[1], tag[2])]))
        self.again(lambda: look_up(self.database, self.numbers, self.looker.tell))
        self.again(lambda: self.looker.state(n=40))
        self.again(self.listed)
        for _ in range(3):
            self.again(self.look)
        self.again(lambda: self.looker.state(n=5, journal=str(uuid.UUID(int=2))))
        self.again(lambda: self.looker.state(n=5, journal=str(uuid.UUID(int=3))))
        self.again(lambda: settle_all(self.database, "gone"))
        for _ in range(3):
            self.again(self.look)
        self.again(lambda: ask_once_more(self.database))
        for _ in range(3):
            self.again(self.look)
        self.again(lambda: settle_all(self.database, "given-up"))
        self.database.close()

    def look(self):
        self.looker.look()  # that of the newest connection

    def listed(self):
        """Ask for a list and take it in, as often as it takes: an answer is to one question."""
        patient = AT_ONCE.model_copy(update={"tries": 100})
        asked = [each for each in self.looker.look(patient) if "list_after" in each]
        if not asked:
            assert self.done()
            return
        entries = [[7, "tag", str(self.entries[0][0].columns[0])], [9, "tag", str(self.entries[1])]]
        sequences = {"ohm-1": [1, 9], "ohm-2": [1, 3], "ohm-3": [1, 1]}
        assert self.looker.answer(asked[0], entries=entries, sequences=sequences)[1] == []
        assert self.done()

    def done(self):
        return self.historian.rows(
            "SELECT FROM benchtally.journals WHERE journal = %s AND counted", JOURNAL
        )

    def result(self):
        """What is there, without what depends on when and how often it was done."""
        ask = self.historian.rows
        return {
            "ids": sorted(self.historian.ids()),
            "incomplete": ask(
                "SELECT what, instrument, first, last, state FROM benchtally.incomplete "
                "ORDER BY 1, 2, 3, 4, 5"
            ),
            "gaps": ask("SELECT instrument, first, last, state FROM benchtally.gaps ORDER BY 1, 2"),
            "missing": ask("SELECT n, kind, state FROM benchtally.missing ORDER BY 1"),
            "journals": ask("SELECT journal, compared, is_current FROM benchtally.journals"),
            "settled": ask(
                "SELECT what, instrument, first, last, state FROM benchtally.settled "
                "ORDER BY 1, 2, 3, 4"
            ),
            "refused": ask("SELECT what FROM benchtally.refusals ORDER BY 1"),
            "quarantine": ask("SELECT reason FROM benchtally.quarantine"),
        }


def settle_all(database, state):
    settle(database, Which(harness.SITE, harness.BENCH, state), "lead", "tried")


@pytest.fixture
def historian(rig, server):
    return Historian(rig, 1, server.database())


@pytest.fixture
def axe(historian):
    made = Axe(historian.conninfo)
    yield made
    made.close()


@pytest.fixture
def items(drafts):
    found = []
    for draft, number in zip(drafts(5), (1, 2, 4, 4, 8), strict=True):
        said = json.loads(draft.model_dump_json()) | {"sequence": number}
        payload = json.dumps(said).encode()
        found.append((row_of(TOPIC, payload), TOPIC, payload))
    return found


@pytest.fixture
def entries(items):
    topic = f"{harness.ROOT}/tag/ohm-1"
    said = {
        "schema_version": 1, "id": str(new_id()), "site": harness.SITE, "bench": harness.BENCH,
        "instrument": "ohm-1", "reading": str(items[0][0].columns[0]),
        "time": "2026-01-05T08:01:00.000000Z", "operator": "winder", "machine": "FAN-07",
    }  # fmt: skip
    payload = json.dumps(said).encode()
    return (row_of(topic, payload), topic, payload), new_id()


def test_wherever_the_database_goes_away_the_end_is_the_same(historian, axe, items, entries):
    whole = Work(historian, axe, items, entries)
    whole.all()
    assert whole.failed == 0
    wanted, statements = whole.result(), axe.count
    assert wanted["settled"]
    assert statements > 100
    for number in range(1, statements + 1, STEP):
        axe.empty()
        axe.left = number
        work = Work(historian, axe, items, entries)
        work.all()
        assert work.failed == 1, number
        assert work.result() == wanted, f"cut before statement {number}"
