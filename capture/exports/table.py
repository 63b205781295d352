"""A table on its way to a file: columns with a kind and a unit, and rows that come one by one."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

#: ``time`` cells are datetimes in UTC, ``number`` floats, ``count`` whole numbers.
Kind = Literal["text", "number", "count", "time"]

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Column:
    """One column. ``unit`` is a UCUM code; empty for what has none, or has its own column."""

    name: str
    kind: Kind = "text"
    unit: str = ""

    @property
    def heading(self) -> str:
        """The name with the unit behind it, as it stands over the column."""
        if self.kind == "time":
            return f"{self.name} (UTC)"
        return f"{self.name} [{self.unit}]" if self.unit else self.name


@dataclass(frozen=True, slots=True)
class Table:
    """A table. Rows hold cells by the names of the columns; what is missing is an empty cell.

    Attributes:
        about: what it is an export of, as labels and values.
        rows: read while they are written out, once.
        documents: the same as JSON documents, one a row or one a group of rows; read once.
    """

    name: str
    columns: tuple[Column, ...]
    rows: Iterator[Row]
    documents: Iterator[dict[str, Any]]
    about: tuple[tuple[str, str], ...] = ()
