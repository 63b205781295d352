"""Readings as they are stored, one after the other, without end."""

import threading
from collections.abc import Iterator
from typing import Any
from uuid import UUID

from capture.clock import Clock
from capture.errors import NotThereError
from capture.exports.selection import Selection
from capture.journal import JournalReader

_LOOK = 0.1  # seconds between two looks at the journal's last number
_PAGE = 500


def follow(
    reader: JournalReader,
    asked: Selection,
    clock: Clock,
    stop: threading.Event,
    *,
    after: UUID | None = None,
) -> Iterator[dict[str, Any]]:
    """Give the readings that fit as they are committed, in order, until ``stop`` is set.

    From now on; with ``after``, from behind that reading, so that a stream that broke off is taken
    up where it was. Each has the tag that holds when it is given: one tied to a machine later is
    not given again.

    Raises:
        NotThereError: ``after`` names no reading of this journal.
    """
    # Now, not when the first one is asked for.
    edge = reader.last_n() if after is None else _number_of(reader, after)
    return _behind(edge, reader, asked, clock, stop)


def _behind(
    edge: int, reader: JournalReader, asked: Selection, clock: Clock, stop: threading.Event
) -> Iterator[dict[str, Any]]:
    while not stop.is_set():
        last = reader.last_n()
        while edge < last:
            page = reader.page(after=edge, limit=_PAGE, **asked.of_readings())
            for n, reading in page:
                yield reading
                if stop.is_set():
                    return
                edge = n
            if len(page) < _PAGE:
                # What was stored while the page was read may lie behind ``last``, never before it.
                edge = max(edge, last)
        clock.wait(stop, _LOOK)


def _number_of(reader: JournalReader, reading: UUID) -> int:
    row = reader.entry(reading)
    if row is None or row.kind != "reading":
        raise NotThereError(f"there is no reading {reading} to go on after")
    return row.n
