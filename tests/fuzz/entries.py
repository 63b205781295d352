"""A small journal of every kind of entry, the same each time but for its own id."""

import sqlite3
import uuid
from contextlib import closing
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from damage import folder

from capture.journal import JournalReader, Store
from capture.journal.database import APPLICATION_ID
from capture.model import Gap, ReadingDraft, ReadingTag, Streamed, Tag
from capture.model.job import Finished, JobEntry, SignedOff, Started
from capture.model.machine import MachineEntry, Nameplate
from capture.model.result import ResultRecord

INSTRUMENTS = ("lcr-1", "ohm-1")
_BENCH = {"site": "sawmill", "bench": "bench-1"}
_BEGAN = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
_LATER = 6  # entries that only the log has


class Journal(NamedTuple):
    """A journal as it lies on the disk while a daemon runs.

    Attributes:
        files: the file itself, and its log.
        entries: number and body of each, in order.
        settled: how many of them the file itself has.
    """

    files: tuple[bytes, bytes]
    entries: list[tuple[int, bytes]]
    settled: int


def journal(page):
    """Make a journal of pages so long; short ones give a small one more structure."""
    with folder() as made:
        path = made / "b.journal"
        with closing(sqlite3.connect(path)) as connection:
            connection.execute(f"PRAGMA page_size = {page}")
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        everything = _everything()
        with closing(Store(path)) as store:
            store.append(everything[:-_LATER])
            assert store.empty_log()
            for entry in everything[-_LATER:]:
                store.append([entry])
            with closing(JournalReader(path)) as reader:
                rows = [(row.n, row.body) for row in reader.after(0, 1000)]
            log = path.with_name("b.journal-wal").read_bytes()
            return Journal((path.read_bytes(), log), rows, len(rows) - _LATER)


def reading(number, instrument="ohm-1", **members):
    """Make a reading; the number makes its id and its time."""
    return ReadingDraft(
        **_BENCH | {
            "id": _id(number), "instrument": instrument, "time": _at(number), "quantity": "resistance",
            "unit": "Ohm", "value": 0.8421, "digits": "842.1", "shown_unit": "mΩ", "status": "ok",
            "source": Streamed(driver="ascii-meter", driver_version="1", link="memory"),
        } | members
    )  # fmt: skip


def _everything():
    job = _id(900)
    tagged = reading(3, tag=ReadingTag(machine="FAN-08"))
    named = reading(4, "lcr-1", record="MEM 1")
    readings = [reading(number) for number in range(10, 22)]
    about = _BENCH | {"operator": "technician"}

    def event(number, what):
        return JobEntry(id=_id(number), job=job, time=_at(number), event=what, **about)

    return [
        MachineEntry(id=_id(1), time=_at(1), machine="FAN-07", nameplate=Nameplate(), **about),
        event(2, Started(machine="FAN-07", procedure={"name": "a test"})),
        tagged, named, *readings,
        Tag(id=_id(30), instrument="ohm-1", reading=readings[0].id, time=_at(30), machine="FAN-09", **about),
        Gap(id=_id(31), instrument="ohm-1", begin=_at(30), end=_at(31), reason="a test", **_BENCH),
        ResultRecord(id=_id(32), job=job, time=_at(32), name="mean resistance", value=0.84,
                     unit="Ohm", formula="mean", inputs=(str(tagged.id),)),
        reading(33, "lcr-1", record="MEM 2"),
        event(34, Finished()), event(35, SignedOff()),
        reading(36, tag=ReadingTag(machine="FAN-09")),
        Tag(id=_id(37), instrument="ohm-1", reading=readings[1].id, time=_at(37), machine="FAN-07", **about),
        reading(38), reading(39),
    ]  # fmt: skip


def _id(number):
    """Make an id of version 7 that grows with the number."""
    return uuid.UUID(int=(0x0195C0DE0000 + number) << 80 | 0x7000 << 64 | 0x8 << 60 | number)


def _at(number):
    return _BEGAN + timedelta(seconds=number)
