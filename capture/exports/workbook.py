"""Tables as XLSX workbooks (ECMA-376), row by row: a million readings cost no more memory."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, BinaryIO

from capture.exports.table import Column, Table
from capture.extras import needs_extra

if TYPE_CHECKING:
    from xlsxwriter.worksheet import Worksheet

MOST_ROWS = 1_048_576  # of a sheet, the headings among them (ECMA-376)
_LONGEST = 32_767  # characters of a cell
_WIDTHS = {"time": 24, "number": 16, "count": 10, "text": 18}
_TIME = "yyyy-mm-dd hh:mm:ss.000"


def write_xlsx(table: Table, out: BinaryIO) -> int:
    """Write a table as a workbook; give how many rows.

    Times are dates of the spreadsheet, numbers are numbers, and text is text whatever it begins
    with: no cell is a formula. What does not fit a sheet goes on in the next one.

    Raises:
        MissingExtraError: the part that writes workbooks is not installed.
    """
    with needs_extra("writing XLSX and Parquet", "export"):
        from xlsxwriter import Workbook  # noqa: PLC0415 - an extra
    options = {
        "constant_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "default_date_format": _TIME,
    }
    with Workbook(out, options) as book:
        sheets = _Sheets(book, table)
        count = 0
        for row in table.rows:
            sheets.add([row.get(column.name) for column in table.columns])
            count += 1
        sheets.end()
        _about(book, table, count)
    return count


class _Sheets:
    """The sheets of one table, one after the other."""

    def __init__(self, book: Any, table: Table) -> None:
        self._book = book
        self._table = table
        self._bold = book.add_format({"bold": True, "bottom": 1})
        self._time = book.add_format({"num_format": _TIME})
        self._number = 0
        self._row = 0
        self._sheet: Worksheet = self._begin()

    def add(self, cells: list[Any]) -> None:
        if self._row == MOST_ROWS:
            self.end()
            self._sheet = self._begin()
        for place, (column, cell) in enumerate(zip(self._table.columns, cells, strict=True)):
            if cell is not None:
                self._write(place, column, cell)
        self._row += 1

    def end(self) -> None:
        """Let the sheet be filtered by its headings."""
        self._sheet.autofilter(0, 0, max(self._row - 1, 0), len(self._table.columns) - 1)

    def _begin(self) -> "Worksheet":
        self._number += 1
        name = self._table.name if self._number == 1 else f"{self._table.name} {self._number}"
        sheet: Worksheet = self._book.add_worksheet(name)
        sheet.freeze_panes(1, 0)
        for place, column in enumerate(self._table.columns):
            sheet.set_column(place, place, max(_WIDTHS[column.kind], len(column.heading) + 2))
            sheet.write_string(0, place, column.heading, self._bold)
        self._row = 1
        return sheet

    def _write(self, place: int, column: Column, cell: Any) -> None:
        match column.kind:
            case "number" | "count":
                self._sheet.write_number(self._row, place, cell)
            case "time":
                self._sheet.write_datetime(self._row, place, _plain(cell), self._time)
            case _:
                self._sheet.write_string(self._row, place, _text(cell))


def _plain(moment: datetime) -> datetime:
    """Give a moment as spreadsheets have it: UTC, and nothing that says so."""
    return moment.astimezone(UTC).replace(tzinfo=None)


def _text(cell: Any) -> str:
    # Lone surrogates, which a reading's text may hold, are no XML.
    text = str(cell).encode("utf-8", "backslashreplace").decode("utf-8")
    return text[:_LONGEST]


def _about(book: Any, table: Table, count: int) -> None:
    sheet = book.add_worksheet("about")
    sheet.set_column(0, 0, 20)
    sheet.set_column(1, 1, 60)
    rows = [
        ("what", table.name),
        *table.about,
        ("rows", str(count)),
        ("times", "UTC"),
        ("units", "UCUM codes, in square brackets"),
    ]
    for place, (label, value) in enumerate(rows):
        sheet.write_string(place, 0, label)
        sheet.write_string(place, 1, _text(value))
