"""A journal opened for reading: the connection, one entry, and what an entry says.

Every query is short and fetched whole, because a reader that stays in a transaction keeps SQLite
from shortening its log.
"""

import json
import uuid
from pathlib import Path
from typing import Any

from capture.errors import JournalError
from capture.journal.database import connect, journal_id, translated
from capture.journal.row import COLUMNS, Row


class OpenJournal:
    """One journal. Used by one thread at a time."""

    def __init__(self, path: Path) -> None:
        """Open the journal for reading.

        Raises:
            JournalError: there is none, or it cannot be read.
        """
        self._path = path
        self._connection = connect(path, read_only=True)

    def close(self) -> None:
        """Close the file."""
        with translated(self._path):
            self._connection.close()

    @property
    def journal_id(self) -> str:
        """The journal's own id."""
        with translated(self._path):
            return journal_id(self._connection)

    def last_n(self) -> int:
        """Give the number of the newest entry; 0 where there is none."""
        with translated(self._path):
            row = self._connection.execute("SELECT max(n) FROM entries").fetchone()
        return int(row[0] or 0)

    def entry(self, id_: uuid.UUID) -> Row | None:
        """Give the entry with this id, if there is one."""
        return self._one("id = ?", id_.bytes)

    def _one(self, condition: str, *arguments: object) -> Row | None:
        with translated(self._path):
            row = self._connection.execute(
                f"SELECT {COLUMNS} FROM entries WHERE {condition}",  # noqa: S608 - fixed words only
                arguments,
            ).fetchone()
        return None if row is None else Row._make(row)

    def _content(self, n: int, body: bytes) -> dict[str, Any]:
        """Read what an entry says.

        Raises:
            JournalError: it was changed, or is on a broken page; the chain tells that as well.
        """
        try:
            content = json.loads(body)
        except (ValueError, TypeError, RecursionError) as error:
            raise JournalError(
                f"{self._path}: entry {n} cannot be read ({error}); see `benchtally journal verify`"
            ) from error
        if not isinstance(content, dict):
            raise JournalError(
                f"{self._path}: entry {n} is no JSON object; see `benchtally journal verify`"
            )
        return content
