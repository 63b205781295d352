"""The service manager is told that we move only while we do, and the log when that turns."""

from datetime import UTC, datetime

import pytest
from structlog.testing import capture_logs

from capture.clock import ManualClock
from capture.heartbeat import Heartbeat
from capture.operation import Facts, Overseer
from capture.operation.overseer import summary
from capture.publish import Report
from capture.runtime import Snapshot, State


class Manager:
    """Takes the place of the notifier and writes down what it is told."""

    def __init__(self, watchdog_s=None):
        self.watchdog_s = watchdog_s
        self.words = []

    def watchdog(self):
        self.words.append("WATCHDOG")

    def status(self, text):
        self.words.append(text)


def snapshot(name, state=State.RUNNING, reason=""):
    return Snapshot(name, state, reason, datetime(2026, 1, 5, tzinfo=UTC), "memory")


def test_a_heartbeat_is_late_after_its_limit_and_expected_only_between_beat_and_rest():
    clock = ManualClock()
    heartbeat = Heartbeat(clock, 30)
    clock.advance(100)
    assert (heartbeat.age, heartbeat.late) == (None, False)
    heartbeat.beat()
    clock.advance(30)
    assert (heartbeat.age, heartbeat.late) == (30, False)
    clock.step_utc(-3600)
    clock.advance(0.5)
    assert heartbeat.late, "it is measured in monotonic time"
    heartbeat.beat()
    assert not heartbeat.late
    clock.advance(31)
    heartbeat.rest()
    assert not heartbeat.late


@pytest.mark.parametrize("part", ["journal", "hands-free", "supervisor"])
def test_no_word_to_the_watchdog_while_a_part_stands_still(part):
    facts = Facts()
    manager = Manager()
    overseer = Overseer(lambda: facts, manager, ManualClock())
    overseer.look()
    assert manager.words.count("WATCHDOG") == 1
    with capture_logs() as logs:
        facts = Facts(still=(part,))
        overseer.look()
        overseer.look()
        assert manager.words.count("WATCHDOG") == 1
        facts = Facts()
        overseer.look()
    assert manager.words.count("WATCHDOG") == 2
    told = [(each["event"], each.get("parts")) for each in logs if "health" not in each["event"]]
    assert told == [("daemon.stands_still", [part]), ("daemon.moves_again", None)]


def test_a_turn_of_the_health_is_told_once_it_has_lasted_two_looks():
    facts = Facts()
    overseer = Overseer(lambda: facts, Manager(), ManualClock())
    away = Facts(publishers={"broker": Report(connected=False)})
    with capture_logs() as logs:
        for now in (facts, away, facts, facts, away, away, away, facts, facts):
            facts = now
            overseer.look()
    assert [(each["event"], each["status"], each["log_level"]) for each in logs] == [
        ("daemon.health", "degraded", "warning"),
        ("daemon.health", "ok", "info"),
    ]


@pytest.mark.parametrize(("watchdog", "turn"), [(None, 0.5), (30, 0.5), (0.6, 0.2)])
def test_it_looks_often_enough_for_the_managers_patience(watchdog, turn):
    assert Overseer(Facts, Manager(watchdog), ManualClock()).turn == pytest.approx(turn)


def test_the_status_is_one_line_for_people():
    facts = Facts(
        instruments=(snapshot("a"), snapshot("b", State.FAILED, "driver broke")),
        publishers={"broker": Report(connected=True, dead_letters=2)},
    )
    assert summary(facts) == (
        "degraded: 1 of 2 instruments running; publishers: 2 dead letters; "
        "instruments: 1 of 2 failed"
    )
