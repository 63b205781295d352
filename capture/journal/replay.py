"""The projections by replay: built anew from the entries beside the journal's own, and compared.

They are built in SQLite's temporary tables, which take disk where memory does not suffice, so
a million tags cost no more memory than one.
"""

import sqlite3
from typing import Any

from capture.journal.chain import Facts
from capture.model.anchor import Base

#: The projections, each with its columns and its key.
_TABLES = {
    "counters": ("instrument TEXT, sequence INTEGER", "instrument"),
    "last_values": ("instrument TEXT, quantity TEXT, n INTEGER", "instrument, quantity"),
    "current_tags": ("reading BLOB, n INTEGER, machine TEXT", "reading"),
    "records": ("instrument TEXT, record TEXT", "instrument, record"),
}


class Replay:
    """Builds the projections from entries taken in order, on a connection of the journal."""

    def __init__(self, connection: sqlite3.Connection, base: Base) -> None:
        """Begin with what ``base`` says; ``connection`` may be read-only."""
        self._connection = connection
        self._last_values: dict[tuple[str, str], int] = {}
        self._tags: dict[bytes, tuple[int, str]] = {}
        self._records: list[tuple[str, str]] = list(base.records)
        #: Sequence number that each instrument has come to.
        self.sequences: dict[str, int] = dict(base.sequences)
        for name, (columns, key) in _TABLES.items():
            connection.execute(f"DROP TABLE IF EXISTS temp.replayed_{name}")
            connection.execute(
                f"CREATE TEMP TABLE replayed_{name} ({columns}, PRIMARY KEY ({key})) WITHOUT ROWID"
            )

    def take(self, n: int, facts: Facts, content: dict[str, Any]) -> None:
        """Take one entry; what it says is written with the next `flush`.

        Raises:
            ValueError: it lacks what its kind must have.
        """
        try:
            if facts.kind == "reading":
                instrument = content["instrument"]
                self.sequences[instrument] = content["sequence"]
                self._last_values[instrument, content["quantity"]] = n
                if (tag := content.get("tag")) is not None:
                    self._tags[facts.id] = n, tag["machine"]
                if (record := content.get("record")) is not None:
                    self._records.append((instrument, record))
            elif facts.kind == "tag":
                self._tags[bytes.fromhex(content["reading"].replace("-", ""))] = (
                    n,
                    content["machine"],
                )
        except (KeyError, TypeError, AttributeError) as error:
            raise ValueError(f"a {facts.kind} without {error}") from error

    def flush(self) -> None:
        """Write what was taken since the last time; in whatever transaction is open."""
        many = self._connection.executemany
        many(
            "REPLACE INTO temp.replayed_current_tags VALUES (?, ?, ?)",
            [(reading, n, machine) for reading, (n, machine) in self._tags.items()],
        )
        many("INSERT OR IGNORE INTO temp.replayed_records VALUES (?, ?)", self._records)
        self._tags, self._records = {}, []

    def finish(self) -> None:
        """Write the rest."""
        self.flush()
        many = self._connection.executemany
        many("REPLACE INTO temp.replayed_counters VALUES (?, ?)", self.sequences.items())
        many(
            "REPLACE INTO temp.replayed_last_values VALUES (?, ?, ?)",
            [(*key, n) for key, n in self._last_values.items()],
        )

    def differences(self) -> dict[str, int]:
        """Count, by projection, the rows that the journal has and replay has not, or the reverse.

        A projection that is as it should be is left out.
        """
        found = {}
        for name in _TABLES:
            stored, made = f"main.{name}", f"temp.replayed_{name}"
            count = sum(
                self._connection.execute(
                    f"SELECT count(*) FROM (SELECT * FROM {one} EXCEPT SELECT * FROM {other})"  # noqa: S608 - fixed words only
                ).fetchone()[0]
                for one, other in ((stored, made), (made, stored))
            )
            if count:
                found[name] = count
        return found

    def put_in_place(self) -> None:
        """Replace the journal's projections by these; inside a transaction that writes."""
        for name in _TABLES:
            self._connection.execute(f"DELETE FROM main.{name}")  # noqa: S608 - fixed words only
            self._connection.execute(
                f"INSERT INTO main.{name} SELECT * FROM temp.replayed_{name}"  # noqa: S608 - fixed words only
            )
