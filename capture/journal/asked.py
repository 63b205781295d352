"""Readings as people ask for them: filtered, the newest, each with the tag that holds now."""

import uuid
from collections.abc import Iterator
from datetime import datetime
from typing import Any, TypedDict, Unpack

from capture.journal.database import refuse_disorder, translated
from capture.journal.opened import OpenJournal
from capture.journal.row import COLUMNS, Row
from capture.model.fields import rfc3339

_PAGE = 500
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


class AskedFor(OpenJournal):
    """Readings by what is asked of them."""

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
