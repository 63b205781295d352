"""Reading the journal: pages of entries for a publisher, filtered readings for a person.

Every query is short and fetched whole, because a reader that stays in a transaction keeps SQLite
from shortening its log.
"""

import json
import uuid
from collections.abc import Collection, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, TypedDict, Unpack

from capture.errors import JournalError
from capture.journal.database import (
    HASH,
    INDEXED,
    base_of,
    connect,
    journal_id,
    refuse_disorder,
    translated,
)
from capture.journal.row import COLUMNS, Row
from capture.journal.subjects import SubjectReader
from capture.model.fields import rfc3339

__all__ = ["Asked", "JournalReader", "Row"]

_PAGE = 500
_NEWEST_LOOKED_AT = 100  # readings of an instrument, for one that was delivered
#: What is published besides readings: as `Topics.entry` has it. By the index of subjects.
_OTHERS = (
    f"FROM entries WHERE {INDEXED} AND kind IN ('gap', 'record', 'result', 'tag') "
    "AND (kind IN ('gap', 'tag') OR coalesce(subject, '') <> '')"
)
_FEW = 20  # the newest readings are looked at a few at a time: mostly the first one is wanted
#: Stamps always have six decimals and Z, so their order is that of text.
_TIME = "json_extract(CAST(e.body AS TEXT), '$.time')"


class Asked(TypedDict, total=False):
    """Which readings; what is left out, or None, is not asked about.

    ``since`` and ``until`` (the latter not included) go by the readings' own times, whatever the
    clock did meanwhile.
    """

    instrument: str | None
    quantity: str | None
    machine: str | None
    since: datetime | None
    until: datetime | None


class JournalReader(SubjectReader):
    """Reads one journal. Used by one thread at a time."""

    def __init__(self, path: Path) -> None:
        """Open the journal for reading.

        Raises:
            JournalError: there is none, or it cannot be read.
        """
        super().__init__(path, connect(path, read_only=True))

    def close(self) -> None:
        """Close the file."""
        with translated(self._path):
            self._connection.close()

    @property
    def journal_id(self) -> str:
        """The journal's own id."""
        with translated(self._path):
            return journal_id(self._connection)

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

    def last_n(self) -> int:
        """Give the number of the newest entry; 0 where there is none."""
        with translated(self._path):
            row = self._connection.execute("SELECT max(n) FROM entries").fetchone()
        return int(row[0] or 0)

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

    def entry(self, id_: uuid.UUID) -> Row | None:
        """Give the entry with this id, if there is one."""
        return self._one("id = ?", id_.bytes)

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
                f"SELECT {COLUMNS} FROM entries WHERE n IN (SELECT n {_OTHERS} "  # noqa: S608 - fixed words only
                "AND n >= ? AND n <= ? ORDER BY n LIMIT ?) ORDER BY n",
                (first, last, limit),
            ).fetchall()
        return [Row._make(row) for row in rows]

    def others_listed(self, after: int, last: int, limit: int) -> list[tuple[int, bytes, str]]:
        """Give number, id (16 bytes) and kind of such entries after a number, in order."""
        with translated(self._path):
            return self._connection.execute(
                f"SELECT n, id, kind FROM entries WHERE n IN (SELECT n {_OTHERS} "  # noqa: S608 - fixed words only
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

    def last_reading(self, instrument: str) -> Row | None:
        """Give the newest reading of an instrument, if there is one."""
        return self._one(
            "n = (SELECT max(n) FROM entries WHERE instrument = ? AND sequence IS NOT NULL)",
            instrument,
        )

    def last_readings(self) -> list[dict[str, Any]]:
        """Give the newest reading of each quantity of each instrument."""
        with translated(self._path):
            rows = self._connection.execute(
                "SELECT e.n, e.body FROM last_values v JOIN entries e ON e.n = v.n "
                "ORDER BY v.instrument, v.quantity"
            ).fetchall()
        return [self._content(*row) for row in rows]

    def newest(self, quantity: str, *, since: int, instrument: str | None = None) -> Iterator[Row]:
        """Give the readings of a quantity that came after entry ``since``, newest first.

        Where none came, one look at the last values tells so; no older entry is looked at.
        """
        condition, arguments = "subject = ?", [quantity]
        if instrument is not None:
            condition, arguments = f"{condition} AND instrument = ?", [quantity, instrument]
        with translated(self._path):
            row = self._connection.execute(
                "SELECT max(n) FROM last_values WHERE "  # noqa: S608 - fixed words only
                + condition.replace("subject", "quantity"),
                arguments,
            ).fetchone()
        edge = int(row[0] or 0) + 1
        query = (
            f"SELECT {COLUMNS} FROM entries WHERE kind = 'reading' AND {condition} "  # noqa: S608 - fixed words only
            "AND n > ? AND n < ? ORDER BY n DESC LIMIT ?"
        )
        while edge > since + 1:
            with translated(self._path):
                rows = self._connection.execute(query, (*arguments, since, edge, _FEW)).fetchall()
            yield from (Row._make(row) for row in rows)
            if len(rows) < _FEW:
                return
            refuse_disorder(self._path, -edge, len(rows), -rows[-1][0])
            edge = rows[-1][0]

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

    def with_tag(self, reading: dict[str, Any]) -> dict[str, Any]:
        """Give a stored reading with the tag that holds now, which may be a later one."""
        with translated(self._path):
            row = self._connection.execute(
                "SELECT e.kind, e.n, e.body FROM current_tags t JOIN entries e ON e.n = t.n "
                "WHERE t.reading = ?",
                (uuid.UUID(reading["id"]).bytes,),
            ).fetchone()
        if row is None or row[0] != "tag":
            return reading
        return {**reading, "tag": _tag_members(self._content(*row[1:]))}

    def current_tag_id(self, reading: uuid.UUID) -> uuid.UUID | None:
        """Give the id of the tag entry that now holds for a reading, if it has one of its own."""
        with translated(self._path):
            row = self._connection.execute(
                "SELECT e.id FROM current_tags t JOIN entries e ON e.n = t.n "
                "WHERE t.reading = ? AND e.kind = 'tag'",
                (reading.bytes,),
            ).fetchone()
        return None if row is None else uuid.UUID(bytes=row[0])

    def _one(self, condition: str, *arguments: object) -> Row | None:
        with translated(self._path):
            row = self._connection.execute(
                f"SELECT {COLUMNS} FROM entries WHERE {condition}",  # noqa: S608 - fixed words only
                arguments,
            ).fetchone()
        return None if row is None else Row._make(row)

    def readings(
        self,
        *,
        newest_first: bool = False,
        **asked: Unpack[Asked],
    ) -> Iterator[dict[str, Any]]:
        """Give readings that fit, in the order stored, each with its current tag as ``tag``.

        Read in short pages, so a million readings cost the memory of one page.
        """
        edge = None if newest_first else 0
        while True:
            page = self.page(
                before=edge if newest_first else None,
                after=None if newest_first else edge,
                limit=_PAGE,
                **asked,
            )
            yield from (reading for _, reading in page)
            if len(page) < _PAGE:
                return
            edge = page[-1][0]

    def quantities(self, **asked: Unpack[Asked]) -> list[tuple[str, str]]:
        """Give the quantities, each with its unit, that the readings that fit are of."""
        conditions, arguments = _fitting(asked)
        join = "" if asked.get("machine") is None else "JOIN current_tags t ON t.reading = e.id"
        query = (
            f"SELECT DISTINCT e.subject, json_extract(CAST(e.body AS TEXT), '$.unit') "  # noqa: S608 - fixed words only
            f"FROM entries e {join} WHERE {conditions} ORDER BY 1, 2"
        )
        with translated(self._path):
            rows = self._connection.execute(query, arguments).fetchall()
        return [(str(subject), str(unit)) for subject, unit in rows]

    def page(
        self,
        *,
        before: int | None = None,
        after: int | None = None,
        limit: int = _PAGE,
        **asked: Unpack[Asked],
    ) -> list[tuple[int, dict[str, Any]]]:
        """Give up to ``limit`` readings that fit, each after its number, with its current tag.

        Newest first, only those ``before`` a number where one is given; with ``after``, oldest
        first from there.
        """
        conditions, arguments = _fitting(asked)
        join = "JOIN" if asked.get("machine") is not None else "LEFT JOIN"
        if after is None:
            order, sign, edge = "DESC", "<", (1 << 62) if before is None else before
        else:
            order, sign, edge = "ASC", ">", after
        query = (
            f"SELECT e.n, e.body, x.kind, x.n, x.body FROM entries e "  # noqa: S608 - fixed words only
            f"{join} current_tags t ON t.reading = e.id LEFT JOIN entries x ON x.n = t.n "
            f"WHERE {conditions} AND e.n {sign} ? ORDER BY e.n {order} LIMIT ?"
        )
        with translated(self._path):
            rows = self._connection.execute(query, (*arguments, edge, limit)).fetchall()
        if rows:
            way = -1 if after is None else 1
            refuse_disorder(self._path, way * edge, len(rows), way * rows[-1][0])
        found = []
        for n, body, tag_kind, tag_n, tag_body in rows:
            reading = self._content(n, body)
            if tag_kind == "tag":
                reading["tag"] = _tag_members(self._content(tag_n, tag_body))
            found.append((int(n), reading))
        return found

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


def _fitting(asked: Asked) -> tuple[str, list[Any]]:
    """Write what is asked of readings as a condition, with its arguments."""
    since, until = asked.get("since"), asked.get("until")
    wanted = {
        "e.instrument = ?": asked.get("instrument"),
        "e.subject = ?": asked.get("quantity"),
        "t.machine = ?": asked.get("machine"),
        f"{_TIME} >= ?": None if since is None else rfc3339(since),
        f"{_TIME} < ?": None if until is None else rfc3339(until),
    }
    found = {condition: value for condition, value in wanted.items() if value is not None}
    return " AND ".join(["e.kind = 'reading'", *found]), list(found.values())


def _tag_members(tag: dict[str, Any]) -> dict[str, Any]:
    """Write a tag entry as the member ``tag`` of its reading."""
    return {name: tag[name] for name in ("machine", "test_point", "note") if name in tag}
