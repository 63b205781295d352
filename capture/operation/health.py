"""How the bench is, in one word and a few short reasons.

The reasons are made of fixed words and counts: whoever asks need not have logged in, so they hold
no name, no path, no address and nothing that an instrument or a broker said.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from capture.operation.facts import Facts
from capture.runtime.worker import State

Status = Literal["ok", "degraded", "failing"]

#: Bytes of free room under which somebody should look.
LITTLE_ROOM = 256 << 20


@dataclass(frozen=True, slots=True)
class Health:
    """How the bench is.

    Attributes:
        status: ``ok``; ``degraded``, where readings are captured and stored and something else
            wants a person; ``failing``, where readings are not captured or not stored.
        reasons: one short line each; none where all is well.
    """

    status: Status
    reasons: tuple[str, ...] = ()


def judge(facts: Facts, *, readable: bool = True) -> Health:
    """Judge a bench; ``readable`` tells whether its journal can be read."""
    failing = list(_failing(facts))
    if not readable:
        failing.append("journal: cannot be read")
    degraded = [*_disk(facts), *_publishers(facts), *_instruments(facts)]
    reasons = (*failing, *degraded)
    if failing:
        return Health("failing", reasons)
    return Health("degraded" if degraded else "ok", reasons)


def _failing(facts: Facts) -> Iterator[str]:
    if facts.damaged:
        yield "journal: damaged"
    elif not facts.journal.taking:
        yield "journal: takes nothing"
    if "journal" in facts.still:
        yield "journal: does not move"
    if "supervisor" in facts.still:
        yield "instruments: a worker ended without a word"
    failed = _count_failed(facts)
    if failed and failed == len(facts.instruments):
        yield f"instruments: all {failed} failed"


def _disk(facts: Facts) -> Iterator[str]:
    journal = facts.journal
    if journal.free_bytes is not None and journal.free_bytes < LITTLE_ROOM:
        yield f"disk: {journal.free_bytes >> 20} MiB free"
    if journal.log_held:
        yield "journal: its log is held by another program"
    if journal.free_bytes is not None and journal.reserve == "none":
        yield "disk: no room kept for a clean end"


def _publishers(facts: Facts) -> Iterator[str]:
    reports, total = facts.publishers.values(), len(facts.publishers)
    for count, words in (
        (sum(bool(each.paused) for each in reports), "paused"),
        (sum(not each.connected for each in reports), "not connected"),
        (sum(each.nobody_listens for each in reports), "heard by nobody"),
    ):
        if count:
            yield f"publishers: {count} of {total} {words}"
    letters = sum(each.dead_letters for each in reports)
    if letters:
        yield f"publishers: {letters} dead letters"


def _instruments(facts: Facts) -> Iterator[str]:
    total = len(facts.instruments)
    failed = _count_failed(facts)
    if 0 < failed < total:
        yield f"instruments: {failed} of {total} failed"
    if facts.silent:
        yield f"instruments: {len(facts.silent)} of {total} give no sign of life"
    if "hands-free" in facts.still:
        yield "hands-free capture: does not move"


def _count_failed(facts: Facts) -> int:
    return sum(each.state is State.FAILED for each in facts.instruments)
