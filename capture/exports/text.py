"""Tables as text: CSV (RFC 4180) for spreadsheets, JSON lines for programs."""

import csv
import io
import json
from collections.abc import Sequence
from datetime import datetime
from typing import Any, BinaryIO

from capture.exports.cells import neutral
from capture.exports.table import Column, Row, Table
from capture.model.fields import rfc3339

#: The mark at the beginning that spreadsheets know UTF-8 by.
_MARK = b"\xef\xbb\xbf"
_PAGE = 1 << 16  # characters that are encoded at once


class CsvLines:
    """Writes rows of a table as lines of CSV, with decimal point or comma.

    Where the decimal mark is a comma, cells are parted by semicolons, as spreadsheets of such
    countries have it. Text that a spreadsheet would run begins with an apostrophe.
    """

    def __init__(self, columns: Sequence[Column], *, comma: bool = False) -> None:
        self._columns = columns
        self._comma = comma
        self._out = io.StringIO()
        self._writer = csv.writer(self._out, delimiter=";" if comma else ",", lineterminator="\r\n")

    def head(self) -> bytes:
        """Give the line of the headings, after the mark of UTF-8."""
        self._writer.writerow([neutral(column.heading) for column in self._columns])
        return _MARK + self.taken()

    def add(self, row: Row) -> None:
        """Write one row, to be taken with others."""
        self._writer.writerow([self._cell(row.get(column.name)) for column in self._columns])

    @property
    def waiting(self) -> int:
        """How many characters are waiting to be taken."""
        return self._out.tell()

    def taken(self) -> bytes:
        """Give what was written since the last time."""
        text = self._out.getvalue()
        self._out.seek(0)
        self._out.truncate()
        return text.encode("utf-8", "backslashreplace")

    def _cell(self, value: Any) -> str:
        match value:
            case None:
                return ""
            case float():
                return repr(value).replace(".", ",") if self._comma else repr(value)
            case datetime():
                return rfc3339(value)
            case str():
                return neutral(value)
            case _:
                return str(value)


def write_csv(table: Table, out: BinaryIO, *, comma: bool = False) -> int:
    """Write a table as CSV; give how many rows."""
    lines = CsvLines(table.columns, comma=comma)
    out.write(lines.head())
    count = 0
    for row in table.rows:
        lines.add(row)
        count += 1
        if lines.waiting > _PAGE:
            out.write(lines.taken())
    out.write(lines.taken())
    return count


def json_line(document: dict[str, Any]) -> bytes:
    """Write a document on one line of JSON."""
    return json.dumps(document, ensure_ascii=False).encode("utf-8", "backslashreplace") + b"\n"


def write_json_lines(table: Table, out: BinaryIO) -> int:
    """Write a table's documents, one a line; give how many."""
    count = 0
    for document in table.documents:
        out.write(json_line(document))
        count += 1
    return count
