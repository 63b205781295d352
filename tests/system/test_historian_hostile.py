"""Two workers at one PostgreSQL, and benches that say anything at all: bounds hold, nobody stops."""

import json
import random
import threading
import uuid

import psycopg
import pytest
from historian_bench import Historian

from capture.historian.gaps import look_for_gaps
from capture.historian.intake import UnfitMessage, row_of
from capture.historian.lists import take_words
from capture.historian.overview import ask_once_more
from capture.historian.reuse import Numbers, look_up
from capture.historian.settings import Bounds, Gaps
from capture.historian.settle import STATES, Which, settle
from capture.historian.store import Database
from capture.historian.words import word_of

STEPS = 120
BOUNDS = Bounds(benches=3, journals=3, instruments=4, missing=15)
ODD = (0, 1, 2, 500, 1 << 31, (1 << 53) + 1, 1 << 62, (1 << 63) - 1, 1 << 63, -1)
TIMES = (
    "2026-01-05T08:00:00.000000Z", "1999-01-01T00:00:00Z", "9998-12-31T23:59:59Z",
    "2026-02-05T08:00:00.000000Z",
)  # fmt: skip
JOURNALS = [str(uuid.UUID(int=number)) for number in range(1, 9)]
IDS = [str(uuid.UUID(int=number)) for number in range(1000, 1040)]
READING = {
    "schema_version": 1, "site": "sawmill", "quantity": "resistance", "value": 1.5, "unit": "Ohm",
    "shown_unit": "Ohm", "status": "ok", "conditions": {},
    "source": {
        "kind": "streamed", "driver": "ascii-meter", "driver_version": "1", "link": "memory",
    },
}  # fmt: skip


class Mischief:
    """One worker that is told nonsense, and does all that it can do, in any order."""

    def __init__(self, conninfo, seed, asked):
        self.chance = random.Random(seed)
        self.numbers = Numbers()
        self.database = Database(conninfo, "", self.numbers.add)
        self.database.prepare()
        self.asked = asked
        self.told = []

    def number(self):
        return self.chance.choice(ODD) if self.chance.random() < 0.5 else self.chance.randint(0, 50)

    def tell(self, event, **more):
        self.told.append(event)

    def step(self):
        ways = (self.hear, self.readings, self.look, self.settle, self.rest)
        self.chance.choices(ways, (40, 30, 18, 7, 5))[0]()

    def readings(self):
        bench = f"bench-{self.chance.randint(1, 4)}"
        items, unfit = [], []
        for _ in range(self.chance.randint(1, 6)):
            instrument = f"ohm-{self.chance.randint(1, 6)}"
            said = READING | {
                "id": self.chance.choice([*IDS, str(uuid.UUID(int=self.chance.getrandbits(128)))]),
                "bench": bench, "instrument": instrument, "sequence": self.number(),
                "time": self.chance.choice(TIMES), "digits": self.chance.choice(("1.5", "1.50")),
            }  # fmt: skip
            topic = f"benchtally/v1/sawmill/{bench}/reading/{instrument}/resistance"
            payload = json.dumps(said).encode()
            try:
                items.append((row_of(topic, payload), topic, payload))
            except UnfitMessage as error:
                unfit.append((topic, payload, str(error)))
        self.database.store(items, unfit)

    def hear(self):
        words = []
        for _ in range(self.chance.randint(1, 4)):
            topic, said = self.chance.choice((self.state, self.listed, self.listed, self.done))()
            try:
                words.append(word_of(topic, json.dumps({"schema_version": 1} | said).encode()))
            except UnfitMessage:
                continue
        take_words(self.database, words, self.tell, BOUNDS)

    def root(self):
        return f"benchtally/v1/sawmill/bench-{self.chance.randint(1, 4)}"

    def state(self):
        said = {
            "state": self.chance.choice(("online", "online", "offline")),
            "journal": self.chance.choice(JOURNALS),
            "dead_letters": self.chance.choice((0, 5, (1 << 31) - 1, 1 << 31)),
        }
        if self.chance.random() < 0.7:
            said["head"] = {"n": self.number()}
        return f"{self.root()}/state", said

    def listed(self):
        root, request, after = self.root(), "nobody's", self.number()
        if self.asked and "list_after" in (newest := self.chance.choice(self.asked))[2]:
            site, bench, question = newest
            root = f"benchtally/v1/{site}/{bench}"
            request, after = question["id"], question["list_after"]
        n, entries = after, []
        for _ in range(self.chance.randint(0, 6)):
            n += self.chance.choice((1, 1, 1, 2, 0, 1000))
            kind = self.chance.choice(("tag", "gap", "record", "result"))
            entries.append([n, kind, self.chance.choice(IDS)])
        said = {
            "request": request, "journal": self.chance.choice(JOURNALS),
            "begins_after": self.chance.choice((0, 0, 0, self.number())), "after": after,
            "after_hash": self.chance.choice((None, "00" * 32, "7f" * 32)),
            "reached": max(n, self.number()),
            "reached_hash": self.chance.choice((None, "7f" * 32)), "entries": entries,
        }  # fmt: skip
        if self.chance.random() < 0.7:
            count = self.chance.randint(0, 8)
            said["sequences"] = {
                f"ohm-{each}": [self.number(), self.number()] for each in range(count)
            }
        return f"{root}/resent", said

    def done(self):
        return f"{self.root()}/resent", {
            "request": "r", "instrument": f"ohm-{self.chance.randint(1, 6)}",
            "first": self.number(), "last": self.number(), "sent": self.number(),
        }  # fmt: skip

    def look(self):
        look_for_gaps(
            self.database, Gaps(wait_s=0, tries=2, requests=3), self.ask,
            soon=self.chance.random() < 0.5, bounds=BOUNDS, tell=self.tell,
        )  # fmt: skip

    def ask(self, *question):
        self.asked.append(question)
        del self.asked[:-60]

    def settle(self):
        which = Which("sawmill", f"bench-{self.chance.randint(1, 4)}", self.chance.choice(STATES))
        settle(self.database, which, "lead", "tried")

    def rest(self):
        look_up(self.database, self.numbers, self.tell)
        ask_once_more(self.database)


@pytest.mark.takes(10)
def test_whatever_benches_say_bounds_hold_and_no_worker_stops(rig, server):
    historian = Historian(rig, 1, server.database())
    asked, failed = [], []
    workers = [Mischief(historian.conninfo, seed, asked) for seed in (1, 2)]

    def work(worker):
        try:
            for _ in range(STEPS):
                worker.step()
        except Exception as error:  # noqa: BLE001 - told below, in the test's own thread
            failed.append(error)

    threads = [threading.Thread(target=work, args=(each,)) for each in workers]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    for each in workers:
        each.database.close()
    assert failed == []
    ask = historian.rows
    benches = ask("SELECT count(*) FROM benchtally.journals GROUP BY site, bench")
    assert 0 < len(benches) <= BOUNDS.benches
    # Two workers that find room at the same time may take one more than there is.
    assert max(benches)[0] <= BOUNDS.journals + 1
    most = "SELECT count(*) FROM benchtally.missing WHERE state <> 'settled' GROUP BY site, bench"
    # A list that was asked for while there was room is taken whole.
    assert max(ask(most), default=(0,))[0] <= BOUNDS.missing + 2 * 6
    assert len(ask("SELECT FROM benchtally.refusals")) <= 4 * (BOUNDS.benches + 1)
    silent = (
        "SELECT count(*) FROM benchtally.instruments i WHERE NOT EXISTS (SELECT FROM "
        "benchtally.readings r WHERE r.site = i.site AND r.bench = i.bench "
        "AND r.instrument = i.instrument) GROUP BY site, bench"
    )
    assert max(ask(silent), default=(0,))[0] <= BOUNDS.instruments
    # Both listings are still made of it.
    assert ask("SELECT count(*) FROM benchtally.incomplete")
    assert ask("SELECT count(*) FROM benchtally.benches")
    told = {event for each in workers for event in each.told}
    assert {"historian.refused", "historian.sequence_reused"} <= told


def test_a_database_that_other_programs_hold_for_a_moment_keeps_no_entry_waiting(rig, server):
    """The rows that benches' words go to, as a person holds them who looks with a lock."""
    historian = Historian(rig, 1, server.database())
    worker = Mischief(historian.conninfo, 3, [])
    try:
        with psycopg.connect(historian.conninfo) as other:
            other.execute("LOCK TABLE benchtally.journals, benchtally.refusals IN EXCLUSIVE MODE")
            word = word_of(
                "benchtally/v1/sawmill/bench-1/state",
                json.dumps(
                    {"schema_version": 1, "state": "online", "journal": JOURNALS[0]}
                ).encode(),
            )
            assert take_words(worker.database, [word], worker.tell, BOUNDS) == (False, [word])
            worker.readings()
            assert historian.count() + worker.database.quarantined > 0
        assert take_words(worker.database, [word], worker.tell, BOUNDS)[1] == []
    finally:
        worker.database.close()
