"""Stored results as a table; of one name in a job the last one holds."""

from collections.abc import Iterator
from typing import Any
from uuid import UUID

from capture.exports.selection import Selection
from capture.exports.table import Column, Row, Table
from capture.jobs.desk import Desk
from capture.model.result import ResultRecord

_COLUMNS = (
    Column("time", "time"),
    Column("machine"),
    Column("job"),
    Column("name"),
    Column("value", "number"),
    Column("unit"),
    Column("bound"),
    Column("expanded uncertainty", "number"),
    Column("coverage factor", "number"),
    Column("limit", "number"),
    Column("side"),
    Column("verdict"),
    Column("rule"),
    Column("source of the limit"),
    Column("how sure the source is"),
    Column("formula"),
    Column("inputs"),
    Column("id"),
)


def results_table(desk: Desk, asked: Selection) -> Table:
    """Give the results asked for that hold, job by job in the order they were first computed.

    ``quantity`` and ``instrument`` are not asked of results.
    """
    return Table(
        name="results",
        columns=_COLUMNS,
        rows=(_row(each) for each in _results(desk, asked)),
        documents=(each.model_dump(mode="json") for each in _results(desk, asked)),
        about=tuple(asked.told()),
    )


def _results(desk: Desk, asked: Selection) -> Iterator[ResultRecord]:
    if asked.job is not None:
        jobs = [desk.service.state(asked.job).job]
    else:
        jobs = [UUID(row.subject) for row in desk.reader.newest_by_subject("result")][::-1]
    for job in jobs:
        holding = {each.name: each for each in desk.service.results(job)}
        for each in holding.values():
            if asked.machine in (None, each.machine) and asked.holds(each.time):
                yield each


def _row(each: ResultRecord) -> Row:
    judged, spread = each.judgement, each.uncertainty
    row: dict[str, Any] = {
        "time": each.time,
        "machine": each.machine,
        "job": None if each.job is None else str(each.job),
        "name": each.name,
        "value": each.value if each.value is not None else each.bound_value,
        "unit": each.unit,
        "bound": each.bound,
        "verdict": each.verdict,
        "formula": each.formula,
        "inputs": " ".join(each.inputs) or None,
        "id": str(each.id),
    }
    if spread is not None:
        row |= {"expanded uncertainty": spread.expanded, "coverage factor": spread.coverage_factor}
    if judged is not None:
        row |= {
            "limit": judged.limit,
            "side": judged.side,
            "rule": judged.rule,
            "source of the limit": judged.source,
            "how sure the source is": judged.confidence,
        }
    return row
