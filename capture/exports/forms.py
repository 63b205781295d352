"""The forms of an export, and writing one to a file."""

from datetime import datetime
from typing import BinaryIO, Literal, get_args

from capture.exports.parquet import write_parquet
from capture.exports.readings import readings_table
from capture.exports.results import results_table
from capture.exports.selection import Selection
from capture.exports.table import Table
from capture.exports.text import write_csv, write_json_lines
from capture.exports.trends import trends_table
from capture.exports.workbook import write_xlsx
from capture.jobs.desk import Desk

What = Literal["readings", "results", "trends"]
Form = Literal["csv", "jsonl", "xlsx", "parquet"]
WHATS: tuple[What, ...] = get_args(What)
FORMS: tuple[Form, ...] = get_args(Form)

MEDIA_TYPES: dict[Form, str] = {
    "csv": "text/csv; charset=utf-8",
    "jsonl": "application/jsonl",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "parquet": "application/vnd.apache.parquet",
}


def table_of(what: What, desk: Desk, asked: Selection, now: datetime) -> Table:
    """Give what is asked for as a table, whose rows are read while it is written.

    Raises:
        NotThereError: there is no such machine or job.
    """
    match what:
        case "readings":
            return readings_table(desk, asked)
        case "results":
            return results_table(desk, asked)
        case _:
            return trends_table(desk, asked, now)


def write(table: Table, form: Form, out: BinaryIO, *, comma: bool = False) -> int:
    """Write a table in a form; give how many rows. ``comma`` is CSV's decimal mark.

    Raises:
        MissingExtraError: what writes this form is not installed.
        OSError: the file cannot be written.
    """
    match form:
        case "csv":
            return write_csv(table, out, comma=comma)
        case "jsonl":
            return write_json_lines(table, out)
        case "xlsx":
            return write_xlsx(table, out)
        case _:
            return write_parquet(table, out)
