"""Trends as a table: a row for each job's value, with what is said of the whole beside it."""

from collections.abc import Iterator
from datetime import datetime
from typing import Any

from capture.exports.selection import Selection
from capture.exports.table import Column, Row, Table
from capture.jobs.desk import Desk
from capture.jobs.trends import trends_document
from capture.model.trend import MachineTrends, Trend

_COLUMNS = (
    Column("machine"),
    Column("quantity"),
    Column("name"),
    Column("test point"),
    Column("time", "time"),
    Column("job"),
    Column("value", "number"),
    Column("unit"),
    Column("bound"),
    Column("expanded uncertainty", "number"),
    Column("verdict"),
    Column("reference temperature", "number", "Cel"),
    Column("frequency", "number", "Hz"),
    Column("rotor"),
    Column("law"),
    Column("measured at"),
    Column("baseline", "number"),
    Column("lower control limit", "number"),
    Column("upper control limit", "number"),
    Column("limit", "number"),
    Column("side"),
    Column("direction"),
    Column("slope a year", "number"),
    Column("expanded uncertainty of the slope", "number"),
    Column("limit reached", "time"),
    Column("limit reached at the earliest", "time"),
)


def trends_table(desk: Desk, asked: Selection, now: datetime) -> Table:
    """Give the trends of a machine, or of all, over their jobs; ``job`` is the last one of them.

    ``since`` and ``until`` choose rows; what is said of the whole stays that of all jobs.

    Raises:
        NotThereError: there is no such machine, or no such job.
    """
    return Table(
        name="trends",
        columns=_COLUMNS,
        rows=(
            row
            for found in _documents(desk, asked, now)
            for each in found.trends
            for row in _rows(found.machine, each, asked)
        ),
        documents=(each.model_dump(mode="json") for each in _documents(desk, asked, now)),
        about=tuple(asked.told()),
    )


def _documents(desk: Desk, asked: Selection, now: datetime) -> Iterator[MachineTrends]:
    if asked.job is not None:
        machines = [desk.service.state(asked.job).machine]
    elif asked.machine is not None:
        machines = [desk.service.machine(asked.machine).machine]
    else:
        machines = sorted(each.machine for each in desk.service.machines())
    for machine in machines:
        yield trends_document(desk, machine, now, until=asked.job)


def _rows(machine: str, trend: Trend, asked: Selection) -> Iterator[Row]:
    if asked.quantity not in (None, trend.quantity):
        return
    slope = trend.slope
    whole: dict[str, Any] = {
        "machine": machine,
        "quantity": trend.quantity,
        "name": trend.name,
        "test point": trend.point,
        "unit": trend.unit,
        "reference temperature": trend.reference_celsius,
        "frequency": trend.hertz,
        "rotor": trend.rotor,
        "law": trend.law,
        "measured at": trend.measured_at,
        "baseline": trend.baseline,
        "lower control limit": trend.lower_control,
        "upper control limit": trend.upper_control,
        "limit": trend.limit,
        "side": trend.side,
        "direction": trend.direction,
        "slope a year": None if slope is None else slope.per_year,
        "expanded uncertainty of the slope": None if slope is None else slope.expanded,
        "limit reached": trend.crosses,
        "limit reached at the earliest": trend.crosses_earliest,
    }
    for point in trend.points:
        if asked.holds(point.time):
            yield whole | {
                "time": point.time,
                "job": str(point.job),
                "value": point.value if point.value is not None else point.bound_value,
                "bound": point.bound,
                "expanded uncertainty": point.expanded,
                "verdict": point.verdict,
            }
