"""What a person at the bench has to know of storing and delivering, in words.

`/health` tells the same to programs, in fixed words and counts; whoever sees a page has logged in,
so here stands what the broker and the disk said.
"""

from collections.abc import Iterator
from typing import NamedTuple

from capture.operation import Facts
from capture.operation.health import LITTLE_ROOM
from capture.publish import Report
from capture.web.words import sentence


class Told(NamedTuple):
    """A line for a person."""

    words: str
    urgent: bool = True
    """Whether it wants somebody now; a bench may do without a historian for good."""


def upkeep(facts: Facts) -> list[Told]:
    """Give a line for each thing that wants a person; none where all is well."""
    return [*map(Told, _journal(facts)), *_delivery(facts)]


def _journal(facts: Facts) -> Iterator[str]:
    journal = facts.journal
    if facts.damaged:
        yield f"The journal is damaged: {sentence(facts.damaged)} `benchtally doctor` says more."
    if not journal.taking:
        why = sentence(journal.reason or "the journal takes nothing")
        yield f"Readings are not stored now. {why} No reading is taken until this is put right."
    elif journal.free_bytes is not None and journal.free_bytes < LITTLE_ROOM:
        yield f"The disk is nearly full: {journal.free_bytes >> 20} MiB free. Make room on it."


def _delivery(facts: Facts) -> Iterator[Told]:
    for name, report in facts.publishers.items():
        if report.alarm or not report.connected:
            why = sentence(report.alarm or "there is no connection yet")
            yield Told(f"Not delivered now ({name}): {why} {_waiting(report)}")
        elif report.nobody_listens:
            yield Told(
                f"The broker ({name}) takes the readings and has nobody to give them to;"
                " where a historian is to have them, see whether it runs.",
                urgent=False,
            )


def _waiting(report: Report) -> str:
    return f"Stored here and still to be delivered: {report.backlog}. The work goes on meanwhile."
