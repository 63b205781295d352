"""Rows into PostgreSQL: COPY into the partitions, by a staging table where some are there already.

A batch is one transaction, and its rows are written in one order whatever order they came in: so
two workers that have got the same messages wait for each other's rows one way round only.

Nearly all rows are new, and COPY straight into the tables costs the
database half of what the way round costs it. One row that is there already ends such a COPY and the
transaction with it; the batch, and those that follow for a while, then go by the staging table,
from which only what is not there yet is taken over.

What the database refuses is found by halving, and goes to quarantine by itself, so that one odd
message never holds up the others.
"""

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from typing import Any

import psycopg
from psycopg import errors, sql

from capture.errors import HistorianError
from capture.historian.intake import COLUMNS, Row
from capture.historian.migrate import SCHEMA

_APPLICATION = "benchtally-historian"
_PARTITIONS_LOCK = 0x6265_6E64
#: Held by whoever looks for what is missing, and by whoever writes down what a bench says of it.
LOOK_LOCK = 0x6265_6E65
_FIRST_YEAR, _END_YEAR = 2020, 2100  # for other times there are partitions from the start
_MOST_QUARANTINED = 10_000
_LARGEST_KEPT = 65_536  # bytes of a message in quarantine
_LONGEST_TOPIC, _LONGEST_REASON = 500, 500
_DECEMBER = 12
_CAREFUL = 8  # batches that go by the staging table after one that held what was there already

#: A message that cannot be stored: topic, payload, reason.
Unfit = tuple[str, bytes, str]
#: A row and the message that it came of.
Item = tuple[Row, str, bytes]
#: Site, bench and instrument.
Source = tuple[str, str, str]
#: Brings the rows of a table into the database; gives how many were new.
Way = Callable[[psycopg.Cursor, str, list[Row]], int]
#: Hears of rows that are in the database.
Hear = Callable[[list[Row]], None]

_OTHER_TEXT = "its id is stored already, with another text"

# Compiling a plan over many partitions takes the server seconds, and running it hundredths of one.
_NOT_COMPILED = "SELECT set_config('jit', 'off', false) FROM pg_settings WHERE name = 'jit'"

_NAMES = {
    table: sql.SQL(", ").join(map(sql.Identifier, columns)) for table, columns in COLUMNS.items()
}


class Database:
    """One connection. Used by one thread; nothing of it outlives a failure of the connection."""

    def __init__(self, conninfo: str, password: str, hear: Hear | None = None) -> None:
        """Connect; ``hear`` is told of the readings that are stored.

        Raises:
            HistorianError: there is no connection; says why.
        """
        try:
            if password:
                conninfo = psycopg.conninfo.make_conninfo(conninfo, password=password)
            self.connection = psycopg.connect(
                conninfo, autocommit=True, connect_timeout=5, application_name=_APPLICATION
            )
        except psycopg.Error as error:
            raise HistorianError(f"database: {line_of(error)}") from error
        try:
            self.fetch(_NOT_COMPILED)
        except HistorianError:
            self.connection.close()
            raise
        self._months: set[tuple[str, int, int]] = set()
        self._heard: set[Source] = set()
        self._careful = 0
        self._hear = hear
        self.stored = self.known = self.quarantined = 0

    def prepare(self) -> None:
        """Make the staging tables of this connection, and let it plan each query once.

        A look puts a few queries for each instrument, and to plan one for five years of monthly
        partitions takes longer than to answer it.
        """
        self.connection.execute("SET plan_cache_mode = force_generic_plan")
        for table in COLUMNS:
            self.connection.execute(
                sql.SQL(
                    "CREATE TEMP TABLE {} (LIKE {} INCLUDING DEFAULTS) ON COMMIT DELETE ROWS"
                ).format(sql.Identifier(f"staged_{table}"), sql.Identifier(SCHEMA, table))
            )

    def close(self) -> None:
        """Close the connection; locks that it holds are free then."""
        self.connection.close()

    def store(self, items: Sequence[Item], unfit: Iterable[Unfit] = ()) -> None:
        """Store a batch; when this returns, all of it is committed, here or in quarantine.

        Raises:
            HistorianError: the database is away, or cannot store anything; nothing is lost.
        """
        left, refused = list(items), list(unfit)
        try:
            self._store(left, refused)
            if refused:
                self._quarantine(refused)
        except psycopg.Error as error:
            raise HistorianError(f"database: {line_of(error)}") from error

    def _store(self, items: Sequence[Item], refused: list[Unfit]) -> None:
        if not items:
            return
        try:
            try:
                self._store_whole(items, refused)
            except errors.CheckViolation:
                # A month that was there is not any more, as where old ones are dropped.
                self._months.clear()
                self._store_whole(items, refused)
        except (
            errors.DataError,
            errors.IntegrityError,
            errors.ProgramLimitExceeded,
            ValueError,
        ) as error:
            # Of these the rows are the cause; of all else the database is.
            if len(items) == 1:
                _, topic, payload = items[0]
                refused.append((topic, payload, f"the database refuses it: {line_of(error)}"))
                return
            half = len(items) // 2
            self._store(items[:half], refused)
            self._store(items[half:], refused)

    def _store_whole(self, items: Sequence[Item], refused: list[Unfit]) -> None:
        by_table = _in_order(row for row, _, _ in items)
        self._make_partitions(by_table)
        heard = {row.source for row in by_table["readings"] if row.source} - self._heard
        stored = self._write_new(by_table, heard)
        if stored is None:
            way = _TakeOver()
            stored = self._write(by_table, heard, way)
            self._careful -= 1
            # A text that came under the id of another one is no second delivery of it.
            refused += [
                (topic, payload, _OTHER_TEXT)
                for row, topic, payload in items
                if (row.table, row.columns[0], row.columns[-1]) in way.others
            ]
        self._heard |= heard
        self.stored += stored
        self.known += len(items) - stored
        if self._hear is not None:
            self._hear(by_table["readings"])

    def _write_new(self, by_table: dict[str, list[Row]], heard: set[Source]) -> int | None:
        """Write rows that are all new; None where some are not, or were not a while ago."""
        if self._careful:
            return None
        try:
            return self._write(by_table, heard, _copy_in)
        except errors.UniqueViolation:
            self._careful = _CAREFUL
            return None

    def _write(self, by_table: dict[str, list[Row]], heard: set[Source], way: Way) -> int:
        """Write rows in one transaction; give how many were new."""
        with self.connection.transaction(), self.connection.cursor() as cursor:
            stored = sum(way(cursor, table, rows) for table, rows in by_table.items() if rows)
            if heard:
                cursor.executemany(
                    f"INSERT INTO {SCHEMA}.instruments (site, bench, instrument) "
                    "VALUES (%s, %s, %s) ON CONFLICT DO NOTHING",
                    sorted(heard),
                )
        return stored

    def _make_partitions(self, by_table: dict[str, list[Row]]) -> None:
        wanted = {
            (table, year, month)
            for table, rows in by_table.items()
            for year, month in {(row.time.year, row.time.month) for row in rows}
            if _FIRST_YEAR <= year < _END_YEAR
        }
        for table, year, month in sorted(wanted - self._months):
            first = datetime(year, month, 1, tzinfo=UTC)
            after = month == _DECEMBER
            end = first.replace(year=year + after, month=1 if after else month + 1)
            with self.connection.transaction(), self.connection.cursor() as cursor:
                # One worker at a time: two that make the same one would hold each other up.
                cursor.execute("SELECT pg_advisory_xact_lock(%s)", (_PARTITIONS_LOCK,))
                cursor.execute(
                    sql.SQL(
                        "CREATE TABLE IF NOT EXISTS {} PARTITION OF {} FOR VALUES FROM ({}) TO ({})"
                    ).format(
                        sql.Identifier(SCHEMA, f"{table}_{year}_{month:02}"),
                        sql.Identifier(SCHEMA, table),
                        sql.Literal(first.isoformat()),
                        sql.Literal(end.isoformat()),
                    )
                )
            self._months.add((table, year, month))

    def _quarantine(self, refused: Sequence[Unfit]) -> None:
        rows = [
            (
                _clean(topic)[:_LONGEST_TOPIC],
                _clean(why)[:_LONGEST_REASON],
                len(data),
                data[:_LARGEST_KEPT],
            )
            for topic, data, why in refused
        ]
        with self.connection.transaction(), self.connection.cursor() as cursor:
            cursor.executemany(
                f"INSERT INTO {SCHEMA}.quarantine (topic, reason, size, payload) "
                "VALUES (%s, %s, %s, %s)",
                rows,
            )
            cursor.execute(
                f"DELETE FROM {SCHEMA}.quarantine WHERE n <= "
                f"(SELECT max(n) FROM {SCHEMA}.quarantine) - %s",
                (_MOST_QUARANTINED,),
            )
            cursor.execute(f"UPDATE {SCHEMA}.quarantined SET total = total + %s", (len(rows),))
        self.quarantined += len(rows)

    def fetch(self, query: str, arguments: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Give the rows of a query that is written here and holds nothing of anybody's.

        Raises:
            HistorianError: the database is away, or does not take it.
        """
        try:
            return self.connection.execute(query.encode(), arguments).fetchall()
        except psycopg.Error as error:
            raise HistorianError(f"database: {line_of(error)}") from error


def _in_order(rows: Iterable[Row]) -> dict[str, list[Row]]:
    """Give rows by table, tables and rows in the one order in which every worker writes them.

    Whoever writes a row that another transaction is writing waits for it. Two workers that get the
    same messages again, each in an order of its own, would wait for each other for ever.
    """
    by_table: dict[str, list[Row]] = {table: [] for table in COLUMNS}
    for row in rows:
        by_table[row.table].append(row)
    for held in by_table.values():
        # Months first, since COPY writes partition by partition; the key's own order within one.
        held.sort(key=lambda row: (row.time, row.columns[0]))
    return by_table


def _copy_in(cursor: psycopg.Cursor, table: str, rows: list[Row]) -> int:
    """Copy rows that are all new; one that is not ends the transaction."""
    _copy(cursor, sql.Identifier(SCHEMA, table), table, rows)
    return len(rows)


class _TakeOver:
    """Copies rows into the staging table, and takes over those that are not there yet.

    Attributes:
        others: of those that are, the ones whose text is another: table, id and text.
    """

    def __init__(self) -> None:
        self.others: set[tuple[str, Any, str]] = set()

    def __call__(self, cursor: psycopg.Cursor, table: str, rows: list[Row]) -> int:
        staged, names = sql.Identifier(f"staged_{table}"), _NAMES[table]
        _copy(cursor, staged, table, rows)
        cursor.execute(
            sql.SQL(
                "INSERT INTO {} ({}) SELECT {} FROM {} ORDER BY time, id ON CONFLICT DO NOTHING"
            ).format(sql.Identifier(SCHEMA, table), names, names, staged)
        )
        count = cursor.rowcount
        if count < len(rows):
            cursor.execute(
                # Row by row, by the key: a join might read whole partitions.
                sql.SQL(
                    "SELECT s.id, s.body FROM {} s CROSS JOIN LATERAL (SELECT FROM {} t WHERE "
                    "t.id = s.id AND t.time = s.time AND t.body <> s.body LIMIT 1) AS other"
                ).format(staged, sql.Identifier(SCHEMA, table))
            )
            self.others.update((table, id_, body) for id_, body in cursor.fetchall())
        return count


def _copy(cursor: psycopg.Cursor, into: sql.Identifier, table: str, rows: list[Row]) -> None:
    statement = sql.SQL("COPY {} ({}) FROM STDIN").format(into, _NAMES[table])
    with cursor.copy(statement) as copy:
        for row in rows:
            copy.write_row(row.columns)


def _clean(text: str) -> str:
    """Leave out what PostgreSQL cannot hold in a text."""
    return text.replace("\0", "\\0").encode("utf-8", "backslashreplace").decode()


def line_of(error: Exception) -> str:
    """Give the first line of what went wrong, without the values that PostgreSQL tells below it."""
    lines = str(error).strip().splitlines()
    return " ".join(lines[0].split()) if lines else type(error).__name__
