"""How a worker is, from the pictures that it leaves."""

from datetime import UTC, datetime
from types import SimpleNamespace

import pytest

from capture.historian.vitals import Vitals

NOON = datetime(2026, 1, 5, 12, tzinfo=UTC)
NOTHING = {"stored": 0, "known": 0, "quarantined": 0}


class Clock:
    def __init__(self):
        self.now = 100.0

    def monotonic(self):
        return self.now

    def utc(self):
        return NOON


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def vitals(clock):
    return Vitals(clock)


def of(vitals, counts=None, *, waiting=0, words=0, dropped=0, deaf=""):
    storing = SimpleNamespace(waiting=waiting, dropped=words)
    vitals.of_connection(3, NOTHING | (counts or {}), storing, dropped, deaf=deaf)


def test_one_that_stands_by_or_listens_is_well(vitals):
    assert vitals.health().status == "failing"
    for state in ("standing-by", "listening"):
        vitals.turned(state)
        assert vitals.health().status == "ok"
    vitals.is_away()
    assert vitals.health().status == "failing"
    assert vitals.now.failures == 1


def test_one_that_hangs_is_failing_whatever_it_last_did(vitals, clock):
    vitals.turned("listening")
    clock.now += 60
    assert vitals.health().status == "ok"
    clock.now += 1
    assert vitals.health().reasons == ("no sign of life for 61 s",)
    vitals.turned("listening")
    assert vitals.health().status == "ok"


@pytest.mark.parametrize("what", [{"deaf": "refused: 0x87 at broker.example"}, {"waiting": 4}])
def test_one_that_stores_and_does_not_compare_is_degraded_in_words_of_its_own(vitals, what):
    vitals.turned("listening")
    of(vitals, **what)
    found = vitals.health()
    assert found.status == "degraded"
    assert "example" not in str(found.reasons), "anybody may ask"


def test_counts_never_run_back_over_a_new_connection(vitals):
    vitals.turned("listening")
    of(vitals, {"stored": 10}, words=3, dropped=2)
    vitals.is_away()
    of(vitals, {"stored": 10}, words=0, dropped=0)
    assert (vitals.now.words_dropped, vitals.now.dropped) == (3, 2)
    of(vitals, {"stored": 12}, words=4, dropped=1)
    vitals.is_away()
    vitals.is_away()
    of(vitals, {"stored": 12}, words=1, dropped=0)
    assert (vitals.now.words_dropped, vitals.now.dropped, vitals.now.failures) == (8, 3, 3)


def test_the_time_of_the_newest_message_is_that_of_more_being_stored(vitals):
    of(vitals)
    assert vitals.now.stored_at is None
    of(vitals, {"known": 1})
    assert vitals.now.stored_at == NOON


def test_a_clock_that_jumps_makes_nobody_older(vitals, clock):
    vitals.turned("listening")
    clock.now -= 1000
    assert vitals.age == 0.0
