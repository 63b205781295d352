"""Guessing secrets, asking who there is, flooding the log-in; and what is noted of it all."""

import json
import threading
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest

from capture.journal import JournalReader
from capture.publish.topics import Topics
from capture.web import session
from capture.web.pages import render

SECRET = "271828"


@pytest.fixture
def manned(served):
    """A bench with an operator."""
    served.add_operator("winder", SECRET, "rewinds")
    return served


@pytest.fixture
def away(manned):
    """Give a client that comes from another address."""

    def make(last):
        return manned.nobody(transport=httpx.HTTPTransport(local_address=f"127.0.0.{last}"))

    return make


def attempt(served, client=None, operator="winder", secret="314159"):
    return served.log_in(client or served.nobody(), operator, secret)


def noted(served):
    reader = JournalReader(served.config.journal_path)
    try:
        rows = [row for row in reader.after(0, 10_000) if row.kind == "audit"]
    finally:
        reader.close()
    return [json.loads(row.body) for row in rows]


# ── secrets ──────────────────────────────────────────────────────────────────────────────────


def test_the_right_secret_gets_in_and_is_told_nowhere(manned):
    client = manned.nobody()
    answer = manned.log_in(client, "WINDER", SECRET)
    assert answer.status_code == 201
    assert (answer.json()["operator"], answer.json()["role"]) == ("winder", "rewinds")
    assert answer.json()["proven"] is True
    assert client.get("/api/bench").status_code == 200
    folder = manned.config.journal_path.parent
    token = dict(client.cookies)[manned.bench.cookie]
    kept = b"".join(path.read_bytes() for path in folder.iterdir() if path.is_file())
    for secret in (SECRET, token, client.headers["Benchtally-CSRF"]):
        assert secret.encode() not in kept


@pytest.mark.parametrize(
    "secret", [None, "", "27182", "2718281", "２７１８２８", " 271828", "x" * 400]
)
def test_no_other_secret_does(manned, secret):
    answer = attempt(manned, secret=secret)
    assert answer.status_code == 401
    assert "set-cookie" not in answer.headers


def test_whether_an_operator_exists_is_not_told(manned):
    """The same answer for the same work: one hash is verified either way."""
    wrong = attempt(manned)
    assert manned.hasher.verified == 1
    nobody = attempt(manned, operator="nobody")
    assert manned.hasher.verified == 2
    assert wrong.status_code == nobody.status_code == 401
    assert wrong.json() == nobody.json()
    again, nobody = attempt(manned), attempt(manned, operator="nobody")
    assert again.status_code == nobody.status_code == 429
    assert again.json() == nobody.json()
    assert manned.hasher.verified == 2


# ── guessing ─────────────────────────────────────────────────────────────────────────────────


def test_guessing_is_slowed_down_to_one_in_half_a_minute_and_never_locks_out(manned):
    waits = []
    for _ in range(9):
        assert attempt(manned).status_code == 401
        early = attempt(manned, secret=SECRET)  # not even the right one is looked at
        assert early.status_code == 429
        assert early.json()["wait"] == int(early.headers["Retry-After"])
        waits.append(early.json()["wait"])
        manned.clock.advance(waits[-1])
    assert waits == [2, 3, 5, 9, 17, 31, 31, 31, 31]  # rounded up, and a second to spare
    assert manned.hasher.verified == 9
    assert attempt(manned, secret=SECRET).status_code == 201
    assert attempt(manned).status_code == 401  # and all is forgotten


def test_who_guesses_elsewhere_slows_nobody_down_here(manned, away):
    for _ in range(4):
        assert attempt(manned, away(2)).status_code == 401
        manned.clock.advance(10)
    assert attempt(manned, away(2)).status_code == 401
    assert attempt(manned, away(2)).status_code == 429
    assert attempt(manned, secret=SECRET).status_code == 201


def test_many_addresses_are_no_way_round_and_the_operator_gets_in_from_where_they_worked(
    manned, away
):
    assert attempt(manned, secret=SECRET).status_code == 201
    answers = [attempt(manned, away(n)).status_code for n in range(2, 40)]
    assert answers[:21] == [401] * 21
    assert set(answers[21:]) == {429}
    assert attempt(manned, secret=SECRET).status_code == 201
    manned.clock.advance(31)
    assert attempt(manned, away(50), secret=SECRET).status_code == 201


def test_many_attempts_at_once_are_no_way_round(manned):
    clients = [manned.nobody() for _ in range(12)]
    with ThreadPoolExecutor(12) as pool:
        answers = list(pool.map(lambda client: attempt(manned, client).status_code, clients))
    assert sorted(answers) == [401] + [429] * 11
    assert manned.hasher.verified == 1


def test_a_flood_of_log_ins_holds_up_log_ins_and_nothing_else(manned, away, monkeypatch):
    going_on, verified = threading.Event(), manned.hasher.verify
    at_once, most = [], []

    def slowly(hashed, secret):
        at_once.append(1)
        most.append(len(at_once))
        assert going_on.wait(20)
        at_once.pop()
        return verified(hashed, secret)

    inside = manned.as_("winder")
    monkeypatch.setattr(manned.hasher, "verify", slowly)
    with ThreadPoolExecutor(20) as pool:
        try:
            flood = [
                pool.submit(attempt, manned, away(2 + n % 10), f"operator {n}") for n in range(20)
            ]
            refused = [each for each in flood if each not in _left(flood, 8)]
            assert len(refused) == 12  # 8 wait in all
            for _ in range(3):
                assert inside.get("/api/bench", timeout=5).status_code == 200
        finally:
            going_on.set()
        answers = sorted(each.result().status_code for each in flood)
    assert answers == [401] * 8 + [429] * 12
    assert max(most) == 1


def _left(flood, count):
    """Wait until so many are left; give them."""
    end = threading.Event()
    for each in flood:
        each.add_done_callback(
            lambda _: len([one for one in flood if not one.done()]) <= count and end.set()
        )
    assert end.wait(20)
    return [each for each in flood if not each.done()]


# ── what is noted ────────────────────────────────────────────────────────────────────────────


def test_coming_going_and_failing_are_entries(manned):
    client = manned.nobody()
    attempt(manned, client)
    manned.clock.advance(2)
    manned.log_in(client, "winder", SECRET)
    client.delete("/api/session")
    assert [(each["what"], each["operator"]) for each in noted(manned)] == [
        ("log-in-failed", "winder"),
        ("logged-in", "winder"),
        ("logged-out", "winder"),
    ]
    assert {each["address"] for each in noted(manned)} == {"127.0.0.1"}
    assert noted(manned)[1]["proven"] is True


def test_failures_that_come_thick_are_told_together(manned):
    for _ in range(6):
        manned.clock.advance(9)
        attempt(manned, operator="nobody")
        manned.access._back_off.passed(("here", "nobody", "127.0.0.1"))
    assert [each["times"] for each in noted(manned)] == [1]
    manned.clock.advance(61)
    attempt(manned, operator="nobody")
    assert [each["times"] for each in noted(manned)] == [1, 6]


def test_a_flood_from_everywhere_writes_little(manned, away):
    for n in range(2, 32):
        attempt(manned, away(n), f"operator {n}")
    assert len(noted(manned)) == 10
    manned.access._audit.flush()
    assert sum(each["times"] for each in noted(manned)) == 30


def test_a_pin_in_the_field_of_the_name_is_not_kept(manned):
    attempt(manned, operator=SECRET, secret=SECRET)
    (entry,) = noted(manned)
    assert "operator" not in entry
    folder = manned.config.journal_path.parent
    assert not [p for p in folder.iterdir() if p.is_file() and SECRET.encode() in p.read_bytes()]


def test_what_is_noted_of_people_stays_on_the_bench(manned):
    assert Topics("sawmill", "bench-1").entry("audit", "", "") is None
    client = manned.as_("winder")
    attempt(manned)
    assert noted(manned)
    events = []
    with client.stream("GET", "/api/events?after=0") as answer:
        for line in answer.iter_lines():
            events.append(line)
            if line == "event: watch":
                break
    assert "event: audit" not in events


def test_a_full_journal_keeps_nobody_out(manned, monkeypatch):
    from capture.errors import JournalFull  # noqa: PLC0415 - of this test alone

    def full(entries):
        raise JournalFull("the disk is full")

    monkeypatch.setattr(manned.access._audit, "_append", full)
    assert attempt(manned, secret=SECRET).status_code == 201


# ── what is got ready for whoever comes ──────────────────────────────────────────────────────


@pytest.mark.parametrize("comes", ["page", "log-in"])
def test_whoever_comes_has_pictures_got_ready(manned, monkeypatch, comes):
    """A program that only asks for figures does not."""
    begun = []
    for module in (session, render):
        monkeypatch.setattr(module, "import_ahead", lambda: begun.append("pictures"))
    nobody = manned.nobody()
    assert nobody.get("/health").status_code == 200
    assert nobody.get("/api/session").status_code == 401
    assert not begun
    if comes == "page":
        assert nobody.get("/login").status_code == 200
    else:
        attempt(manned, nobody)
    assert begun == ["pictures"]
