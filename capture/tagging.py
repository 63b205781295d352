"""Tagging: tying a stored reading to a machine and a test point, as a new entry."""

import re
import uuid
from collections.abc import Iterable
from datetime import datetime

from pydantic import ValidationError

from capture.errors import InputError, NotThereError
from capture.faults import one_line
from capture.journal import JournalReader, Row
from capture.model import PointOfTest, Tag, TestPoint, new_id

_LONGEST = 100  # of a name: an instrument's has 63 characters, a sequence number fewer than 20
_MOST_DIGITS = 18  # more than any sequence number has, and what SQLite can hold
_MOST = 500  # readings of a range
FORMS = (
    "an id, INSTRUMENT:SEQUENCE such as ohm-1:12, INSTRUMENT:FIRST-LAST such as ohm-1:12-17, or "
    "INSTRUMENT:last"
)
_RANGE = re.compile(r"(?P<instrument>.+):(?P<first>[0-9]{1,18})-(?P<last>[0-9]{1,18})\Z")


def each_reading(names: Iterable[str]) -> list[str]:
    """Name the readings of every range one by one; each reading once.

    Raises:
        InputError: a range runs backwards, or is too long.
    """
    found: list[str] = []
    for name in names:
        match = _RANGE.match(name)
        if match is None:
            found.append(name)
            continue
        first, last = int(match["first"]), int(match["last"])
        if not first <= last < first + _MOST:
            raise InputError(f"{name!r}: a range runs upwards, and over {_MOST} readings at most")
        found += [f"{match['instrument']}:{place}" for place in range(first, last + 1)]
    return list(dict.fromkeys(found))


def find_reading(reader: JournalReader, name: str) -> Row:
    """Find a reading by id, by instrument and sequence number, or the last one of an instrument.

    Raises:
        InputError: not a name of a reading, or no such reading.
    """
    if not name.isprintable() or len(name) > _LONGEST:
        raise InputError(f"{name[:_LONGEST]!r} does not name a reading; write {FORMS}")
    instrument, colon, place = name.rpartition(":")
    if colon:
        row = _by_place(reader, instrument, place)
    else:
        try:
            row = reader.entry(uuid.UUID(name))
        except ValueError as error:
            raise InputError(f"{name!r} does not name a reading; write {FORMS}") from error
    if row is None or row.kind != "reading":
        raise NotThereError(f"there is no reading {name!r}; `benchtally readings` lists them")
    return row


def make_tag(
    reader: JournalReader,
    reading: Row,
    *,
    site: str,
    bench: str,
    time: datetime,
    operator: str,
    machine: str,
    point: TestPoint | None,
    note: str | None,
) -> Tag:
    """Make the tag; it names the tag that held before it, if there was one.

    Raises:
        InputError: a field cannot be taken.
    """
    before = reader.current_tag_id(reading.id)
    try:
        return Tag(
            id=new_id(),
            site=site,
            bench=bench,
            instrument=reading.instrument,
            reading=reading.id,
            time=time,
            operator=operator,
            machine=machine,
            test_point=None if point is None else PointOfTest.of(point),
            note=note,
            supersedes=before,
        )
    except ValidationError as error:
        raise InputError(one_line(error)) from error


def _by_place(reader: JournalReader, instrument: str, place: str) -> Row | None:
    if place == "last":
        return reader.last_reading(instrument)
    if not place.isascii() or not place.isdigit():
        raise InputError(f"{place!r} is no sequence number; write {FORMS}")
    return reader.reading(instrument, int(place)) if len(place) <= _MOST_DIGITS else None
