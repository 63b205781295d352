"""Readings as a table: a column for each quantity, with its unit in the heading."""

import json
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

from capture.display import origin, point_of
from capture.errors import InputError
from capture.exports.selection import Selection
from capture.exports.table import Column, Row, Table
from capture.jobs.desk import Desk
from capture.jobs.state import JobState
from capture.journal import JournalReader
from capture.model.quantity import unit_of

_BEFORE = (
    Column("time", "time"),
    Column("machine"),
    Column("test point"),
    Column("instrument"),
    Column("sequence", "count"),
    Column("quantity"),
)
_OWN = (Column("value", "number"), Column("unit"))
_AFTER = (
    Column("status"),
    Column("bound"),
    Column("as shown"),
    Column("standard uncertainty", "number"),
    Column("elapsed", "number", "s"),
    Column("frequency", "number", "Hz"),
    Column("test voltage", "number", "V"),
    Column("other conditions"),
    Column("origin"),
    Column("note"),
    Column("id"),
)
_OF_JOB = (Column("step"), Column("standing"))
#: Conditions that have a column of their own, and the unit they stand in there.
_CONDITIONS = {"frequency": ("frequency", "Hz"), "test_voltage": ("test voltage", "V")}

#: Of a stream, to which no column can be added: all values stand in one, with the unit beside it.
STREAM_COLUMNS = (*_BEFORE, *_OWN, *_AFTER)

Document = dict[str, Any]


def readings_table(desk: Desk, asked: Selection) -> Table:
    """Give the readings asked for, oldest first, each with the tag that holds now.

    Of a job: what its steps took, what was superseded or refused there marked as such. Quantities
    under names of one's own (``x_…``), which may be in any unit, stand in ``value`` and ``unit``.

    Raises:
        NotThereError: there is no such job.
    """
    if asked.job is not None:
        state = desk.service.state(asked.job)
        held = list(_of_job(desk.reader, state, asked))
        kinds = sorted({(body["quantity"], body["unit"]) for body, _ in held})
        return _table(kinds, lambda: iter(held), asked, _OF_JOB)
    filters = asked.of_readings()
    kinds = desk.reader.quantities(**filters)
    return _table(
        kinds, lambda: ((body, {}) for body in desk.reader.readings(**filters)), asked, ()
    )


def columns_for(kinds: list[tuple[str, str]], more: tuple[Column, ...] = ()) -> tuple[Column, ...]:
    """Give the columns that readings of these quantities, each with its unit, need."""
    known = {quantity: unit for quantity, unit in kinds if unit_of(quantity) == unit}
    values = tuple(
        Column(quantity, "number", "" if unit == "1" else unit) for quantity, unit in known.items()
    )
    own = _OWN if len(known) < len({quantity for quantity, _ in kinds}) else ()
    return (*_BEFORE, *values, *own, *_AFTER, *more)


def row_of(body: Document, columns: frozenset[str]) -> dict[str, Any]:
    """Write a stored reading as a row; its value in the column of its quantity, if there is one."""
    tag, bound = body.get("tag") or {}, body.get("bound") or {}
    row: dict[str, Any] = {
        "time": datetime.fromisoformat(body["time"]),
        "machine": tag.get("machine"),
        "test point": point_of(tag.get("test_point")) or None,
        "instrument": body["instrument"],
        "sequence": body["sequence"],
        "quantity": body["quantity"],
        "status": body["status"],
        "bound": bound.get("side"),
        "as shown": f"{body['digits']} {body['shown_unit'] or body['unit']}",
        "standard uncertainty": (body.get("uncertainty") or {}).get("standard"),
        "elapsed": (body.get("series") or {}).get("elapsed"),
        "origin": origin(body["source"]),
        "note": tag.get("note"),
        "id": body["id"],
    }
    value = body["value"] if body["value"] is not None else bound.get("value")
    if body["quantity"] in columns:
        row[body["quantity"]] = value
    else:
        row |= {"value": value, "unit": body["unit"]}
    other = []
    for name, condition in (body.get("conditions") or {}).items():
        column, unit = _CONDITIONS.get(name, ("", ""))
        if isinstance(condition, dict):
            if column and condition["unit"] == unit:
                row[column] = condition["value"]
                continue
            condition = f"{condition['value']:g} {condition['unit']}"  # noqa: PLW2901 - as it is written
        other.append(f"{name} {condition}")
    row["other conditions"] = ", ".join(other) or None
    return row


def _table(
    kinds: list[tuple[str, str]],
    found: Callable[[], Iterator[tuple[Document, Row]]],
    asked: Selection,
    more: tuple[Column, ...],
) -> Table:
    columns = columns_for(kinds, more)
    names = frozenset(column.name for column in columns)
    return Table(
        name="readings",
        columns=columns,
        rows=({**row_of(body, names), **extra} for body, extra in found()),
        documents=({**body, **extra} for body, extra in found()),
        about=tuple(asked.told()),
    )


def _of_job(
    reader: JournalReader, state: JobState, asked: Selection
) -> Iterator[tuple[Document, Row]]:
    if asked.machine not in (None, state.machine):
        raise InputError(f"job {state.job} is of machine {state.machine}, not {asked.machine}")
    standing = {
        id_: (step.step.id, stands)
        for step in state.steps.values()
        for stands, ids in (
            ("superseded", [id_ for id_, _ in step.superseded]),
            ("refused", step.refused),
            ("taken", step.readings),
        )
        for id_ in ids
    }
    rows = [row for id_ in standing if (row := reader.entry(id_)) is not None]
    for row in sorted(rows, key=lambda row: row.n):
        body = reader.with_tag(json.loads(row.body))
        if (
            asked.instrument in (None, body["instrument"])
            and asked.quantity in (None, body["quantity"])
            and asked.holds(datetime.fromisoformat(body["time"]))
        ):
            place, stands = standing[row.id]
            yield body, {"step": place, "standing": stands}
