"""One word and short reasons, made of fixed words and counts."""

from datetime import UTC, datetime

import pytest

from capture.journal.upkeep import Health as Journal
from capture.operation import Facts, judge
from capture.publish import Report
from capture.runtime import Snapshot, State

SECRET = "hunter2 plc.plant.example /var/lib/secret"


def snapshot(state, name="ohm-1"):
    return Snapshot(name, state, SECRET, datetime(2026, 1, 5, tzinfo=UTC), SECRET)


def well(**members):
    ordinary = {
        "journal": Journal(commits=9, free_bytes=1 << 40, reserve="held"),
        "publishers": {"broker": Report(connected=True)},
        "instruments": (snapshot(State.RUNNING), snapshot(State.WAITING, "ohm-2")),
    }
    return Facts(**ordinary | members)


def test_a_bench_that_is_well_has_no_reasons_and_a_meter_that_is_off_is_no_fault():
    health = judge(well())
    assert (health.status, health.reasons) == ("ok", ())


FULL = Journal(taking=False, reason=SECRET, free_bytes=0, reserve="held")
FAILED = (snapshot(State.FAILED), snapshot(State.FAILED, "ohm-2"))
CASES = [
    ("failing", {"journal": FULL}, ["journal: takes nothing", "disk: 0 MiB free"]),
    ("failing", {"damaged": SECRET}, ["journal: damaged"]),
    ("failing", {"still": ("journal",)}, ["journal: does not move"]),
    ("failing", {"still": ("supervisor",)}, ["instruments: a worker ended without a word"]),
    ("failing", {"instruments": FAILED}, ["instruments: all 2 failed"]),
    ("degraded", {"still": ("hands-free",)}, ["hands-free capture: does not move"]),
    ("degraded", {"silent": ("ohm-1",)}, ["instruments: 1 of 2 give no sign of life"]),
    (
        "degraded",
        {"instruments": (snapshot(State.RUNNING), snapshot(State.FAILED))},
        ["instruments: 1 of 2 failed"],
    ),
    (
        "degraded",
        {"journal": Journal(free_bytes=(200 << 20) + 5, reserve="none", log_held=True)},
        [
            "disk: 200 MiB free",
            "journal: its log is held by another program",
            "disk: no room kept for a clean end",
        ],
    ),
    (
        "degraded",
        {
            "publishers": {
                "a": Report(connected=True, paused=SECRET, dead_letters=3),
                "b": Report(connected=False, reason=SECRET),
                "c": Report(connected=True, nobody_listens=True, dead_letters=1),
            }
        },
        [
            "publishers: 1 of 3 paused",
            "publishers: 1 of 3 not connected",
            "publishers: 1 of 3 heard by nobody",
            "publishers: 4 dead letters",
        ],
    ),
]


@pytest.mark.parametrize(("status", "members", "reasons"), CASES)
def test_what_is_not_well_is_told_without_a_name_a_path_or_a_word_from_outside(
    status, members, reasons
):
    health = judge(well(**members))
    assert (health.status, list(health.reasons)) == (status, reasons)
    assert "ohm" not in str(health)
    assert not any(word in str(health) for word in SECRET.split())


def test_before_the_first_look_at_the_disk_nothing_is_said_of_it():
    assert judge(well(journal=Journal())).status == "ok"


def test_a_journal_that_cannot_be_read_is_failing():
    health = judge(well(), readable=False)
    assert (health.status, health.reasons) == ("failing", ("journal: cannot be read",))
