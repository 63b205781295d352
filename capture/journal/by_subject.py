"""Entries by what they are about, a job or a machine, and by when they were made."""

from collections.abc import Iterator, Sequence
from datetime import datetime

from capture.journal.database import BY_SUBJECT, INDEXED, translated
from capture.journal.opened import OpenJournal
from capture.journal.row import COLUMNS, Row

_PAGE = 500


class BySubject(OpenJournal):
    """Entries by their subjects. Not for readings: they are too many."""

    def first_after(self, moment: datetime) -> int | None:
        """Give the number of the first entry that was made after a moment; None for none.

        Ids are UUIDv7 (RFC 9562), so their order is that of the clocks they were made by.
        """
        edge = int(moment.timestamp() * 1000).to_bytes(6, "big") + bytes(10)
        with translated(self._path):
            row = self._connection.execute(
                "SELECT n FROM entries WHERE id > ? ORDER BY id LIMIT 1", (edge,)
            ).fetchone()
        return None if row is None else int(row[0])

    def of_subject(self, kind: str, subject: str, *, after: int = 0) -> list[Row]:
        """Give the entries of one kind about one subject (a job, a machine), in order.

        Those ``after`` a number only. Not for readings: they are too many.
        """
        with translated(self._path):
            rows = self._connection.execute(
                f"SELECT {COLUMNS} FROM entries WHERE {BY_SUBJECT} AND n > ? ORDER BY n",  # noqa: S608 - fixed words only
                (kind, subject, after),
            ).fetchall()
        return [Row._make(row) for row in rows]

    def newest_by_subject(
        self, kind: str, *, before: int | None = None, limit: int | None = None
    ) -> list[Row]:
        """Give the newest entry of each subject of one kind, newest first.

        Up to ``limit`` of them, and only those ``before`` a number, where these are given.
        """
        edge, most = (1 << 62) if before is None else before, -1 if limit is None else limit
        with translated(self._path):
            rows = self._connection.execute(
                f"SELECT {COLUMNS} FROM entries WHERE n IN "  # noqa: S608 - fixed words only
                f"(SELECT max(n) AS newest FROM entries WHERE kind = ? AND {INDEXED} "
                "AND subject IS NOT NULL GROUP BY subject HAVING newest < ? "
                "ORDER BY newest DESC LIMIT ?) ORDER BY n DESC",
                (kind, edge, most),
            ).fetchall()
        return [Row._make(row) for row in rows]

    def subjects(self, kind: str) -> dict[str, int]:
        """Give the subjects of one kind, each with the number of its first entry.

        No entry itself is read. Not for readings: they are too many.
        """
        with translated(self._path):
            rows = self._connection.execute(
                f"SELECT subject, min(n) FROM entries WHERE kind = ? AND {INDEXED} "  # noqa: S608 - fixed words only
                "AND subject IS NOT NULL GROUP BY subject",
                (kind,),
            ).fetchall()
        return {str(subject): int(n) for subject, n in rows}

    def newest_of_each(self, kind: str) -> list[tuple[str, int]]:
        """Give the subjects of one kind with the number of each one's newest entry, oldest first.

        No entry itself is read.
        """
        with translated(self._path):
            rows = self._connection.execute(
                f"SELECT subject, max(n) AS newest FROM entries WHERE kind = ? AND {INDEXED} "  # noqa: S608 - fixed words only
                "AND subject IS NOT NULL GROUP BY subject ORDER BY newest",
                (kind,),
            ).fetchall()
        return [(str(subject), int(n)) for subject, n in rows]

    def since_newest(self, kind: str, other: str) -> Iterator[Row]:
        """Give the entries of one kind that came after the newest of another about their subject.

        All of a subject that the other kind has none about; in order. Read in short pages.
        """
        with translated(self._path):
            numbers = self._connection.execute(
                f"SELECT e.n FROM entries e LEFT JOIN (SELECT subject AS about, max(n) AS newest "  # noqa: S608 - fixed words only
                f"FROM entries WHERE kind = ? AND {INDEXED} AND subject IS NOT NULL "
                "GROUP BY subject) r ON e.subject = r.about WHERE e.kind = ? "
                "AND e.kind <> 'reading' AND e.subject IS NOT NULL "
                "AND e.n > coalesce(r.newest, 0) ORDER BY e.n",
                (other, kind),
            ).fetchall()
        for start in range(0, len(numbers), _PAGE):
            yield from self.numbered([int(n) for (n,) in numbers[start : start + _PAGE]])

    def numbered(self, numbers: Sequence[int]) -> list[Row]:
        """Give the entries with these numbers, in order; what is not there is passed over."""
        found: list[Row] = []
        for start in range(0, len(numbers), _PAGE):
            some = numbers[start : start + _PAGE]
            marks = ",".join("?" * len(some))
            with translated(self._path):
                rows = self._connection.execute(
                    f"SELECT {COLUMNS} FROM entries WHERE n IN ({marks}) ORDER BY n",  # noqa: S608 - fixed words, question marks
                    some,
                ).fetchall()
            found += [Row._make(row) for row in rows]
        return found
