"""What whoever delivers a journal reads: its entries in order, and what it is asked for again."""

from collections.abc import Collection

from capture.journal.database import HASH, INDEXED, base_of, refuse_disorder, translated
from capture.journal.opened import OpenJournal
from capture.journal.row import COLUMNS, Row

_NEWEST_LOOKED_AT = 100  # readings of an instrument, for one that was delivered
#: What is published besides readings: as `Topics.entry` has it. By the index of subjects.
OTHERS = (
    f"FROM entries WHERE {INDEXED} AND kind IN ('gap', 'record', 'result', 'tag') "
    "AND (kind IN ('gap', 'tag') OR coalesce(subject, '') <> '')"
)


class InOrder(OpenJournal):
    """Entries by their numbers, readings by their sequence numbers."""

    def after(self, n: int, limit: int) -> list[Row]:
        """Give up to ``limit`` entries after number ``n``, in order.

        Raises:
            JournalDamaged: they are in none.
        """
        with translated(self._path):
            rows = self._connection.execute(
                f"SELECT {COLUMNS} FROM entries WHERE n > ? ORDER BY n LIMIT ?",  # noqa: S608 - fixed words only
                (n, limit),
            ).fetchall()
        if rows:
            refuse_disorder(self._path, n, len(rows), rows[-1][0])
        return [Row._make(row) for row in rows]

    def digest(
        self, n: int, limit: int, *, whole: Collection[str], mark: bytes
    ) -> tuple[list[Row], int]:
        """Give what is new in up to ``limit`` entries after ``n``, in order, and the last number.

        All that is no reading, all readings of the quantities ``whole``, and of each other quantity
        of an instrument the newest reading and the newest that has no ``mark`` in its body. What is
        left out is not read: thousands of readings a second can be followed this way.

        Raises:
            JournalDamaged: they are in no order.
        """
        with translated(self._path):
            last, count = self._connection.execute(
                "SELECT max(n), count(*) FROM "
                "(SELECT n FROM entries WHERE n > ? ORDER BY n LIMIT ?)",
                (n, limit),
            ).fetchone()
            if last is None:
                return [], n
            refuse_disorder(self._path, n, count, last)
            marks = ",".join("?" * len(whole))
            # The sign keeps SQLite from an index: all entries of a kind are more than these few.
            span = "FROM entries WHERE n > ? AND n <= ? AND +kind"
            rows = self._connection.execute(
                f"SELECT {COLUMNS} FROM entries WHERE n IN ("  # noqa: S608 - fixed words, question marks
                f"SELECT n {span} <> 'reading' "
                f"UNION SELECT n {span} = 'reading' AND subject IN ({marks}) "
                f"UNION SELECT max(n) {span} = 'reading' GROUP BY instrument, subject "
                f"UNION SELECT max(n) {span} = 'reading' AND instr(body, ?) = 0 "
                "GROUP BY instrument, subject) ORDER BY n",
                (n, last, n, last, *whole, n, last, n, last, mark),
            ).fetchall()
        return [Row._make(row) for row in rows], int(last)

    def head(self) -> tuple[int, bytes]:
        """Give number and hash of the newest entry, or of what the journal begins after."""
        with translated(self._path):
            row = self._connection.execute(
                f"SELECT n, {HASH} FROM entries ORDER BY n DESC LIMIT 1"  # noqa: S608 - fixed words only
            ).fetchone()
            if row is None:
                base = base_of(self._connection)
                return base.n, bytes.fromhex(base.hash)
        return int(row[0]), bytes(row[1])

    def reading(self, instrument: str, sequence: int) -> Row | None:
        """Give a reading by its place among those of its instrument, if there is one."""
        return self._one("instrument = ? AND sequence = ?", instrument, sequence)

    def readings_between(self, instrument: str, first: int, last: int) -> list[Row]:
        """Give the readings of an instrument with these sequence numbers, in order."""
        with translated(self._path):
            rows = self._connection.execute(
                f"SELECT {COLUMNS} FROM entries WHERE instrument = ? "  # noqa: S608 - fixed words only
                "AND sequence BETWEEN ? AND ? ORDER BY sequence",
                (instrument, first, last),
            ).fetchall()
        return [Row._make(row) for row in rows]

    def others_between(self, first: int, last: int, limit: int) -> list[Row]:
        """Give up to ``limit`` entries of those numbers that travel and are no readings, in order.

        Found by the index of subjects: a million readings between them cost nothing.
        """
        with translated(self._path):
            rows = self._connection.execute(
                f"SELECT {COLUMNS} FROM entries WHERE n IN (SELECT n {OTHERS} "  # noqa: S608 - fixed words only
                "AND n >= ? AND n <= ? ORDER BY n LIMIT ?) ORDER BY n",
                (first, last, limit),
            ).fetchall()
        return [Row._make(row) for row in rows]

    def others_listed(self, after: int, last: int, limit: int) -> list[tuple[int, bytes, str]]:
        """Give number, id (16 bytes) and kind of such entries after a number, in order."""
        with translated(self._path):
            return self._connection.execute(
                f"SELECT n, id, kind FROM entries WHERE n IN (SELECT n {OTHERS} "  # noqa: S608 - fixed words only
                "AND n > ? AND n <= ? ORDER BY n LIMIT ?) ORDER BY n",
                (after, last, limit),
            ).fetchall()

    def sequences(self, last: int) -> dict[str, tuple[int, int]]:
        """Give the first and the last sequence number of each instrument, up to an entry.

        An instrument whose newest readings all stand behind that entry is left out.
        """
        found: dict[str, tuple[int, int]] = {}
        with translated(self._path):
            instruments = self._connection.execute("SELECT instrument FROM counters").fetchall()
            for (instrument,) in instruments:
                first, newest = self._connection.execute(
                    "SELECT (SELECT sequence FROM entries WHERE instrument = ?1 "
                    "AND sequence IS NOT NULL ORDER BY sequence LIMIT 1), "
                    "(SELECT max(sequence) FROM (SELECT n, sequence FROM entries "
                    "WHERE instrument = ?1 AND sequence IS NOT NULL "
                    "ORDER BY sequence DESC LIMIT ?2) WHERE n <= ?3)",
                    (instrument, _NEWEST_LOOKED_AT, last),
                ).fetchone()
                if newest is not None:
                    found[instrument] = (int(first), int(newest))
        return found

    def base_n(self) -> int:
        """Give the number that the journal begins after: 0, or that of the last entry cut off."""
        with translated(self._path):
            return base_of(self._connection).n

    def hash_at(self, n: int) -> bytes | None:
        """Give the hash of an entry, or of what the journal begins after, if it has that."""
        with translated(self._path):
            row = self._connection.execute(
                f"SELECT {HASH} FROM entries WHERE n = ?",  # noqa: S608 - fixed words only
                (n,),
            ).fetchone()
            if row is not None:
                return bytes(row[0])
            base = base_of(self._connection)
        return bytes.fromhex(base.hash) if base.n == n else None
