"""Sequence numbers that two readings have, which no hole can show.

A bench whose journal was put back to an earlier backup counts on from there: the numbers that came
after the backup are used again, by other readings. Both are kept, as each has an id of its own. But
a number that is there says no more that nothing is missing.

What was stored is looked up by its numbers a moment later, when the other worker's part of the
stream is there as well. A worker that is killed leaves a few seconds without a look; for those, the
newest numbers of a bench are looked through once more when its list shows that its journal is not
the one that was compared before.
"""

from collections import defaultdict
from collections.abc import Iterable

import psycopg

from capture.errors import HistorianError
from capture.historian.bounds import Tell
from capture.historian.intake import COLUMNS, Row
from capture.historian.migrate import SCHEMA
from capture.historian.store import Database, Source, line_of

_NEAR = 64  # numbers that are looked through rather than begun anew behind
_MOST_RANGES = 20_000  # each of which is a look into an index
_LOOKED_THROUGH = 10_000  # newest numbers of an instrument, after its journal was put back
_MOST_INSTRUMENTS = 200  # of such a bench
_SEQUENCE = COLUMNS["readings"].index("sequence")

_Range = tuple[int, int]

_TWICE = f"""
WITH asked AS (
    SELECT * FROM unnest(%s::text[], %s::text[], %s::text[], %s::bigint[], %s::bigint[])
        AS a (site, bench, instrument, first, last)
), twice AS (
    SELECT a.site, a.bench, a.instrument, min(d.sequence) AS first, max(d.sequence) AS last
    FROM asked a CROSS JOIN LATERAL (
        SELECT r.sequence FROM {SCHEMA}.readings r
        WHERE r.site = a.site AND r.bench = a.bench AND r.instrument = a.instrument
          AND r.sequence BETWEEN a.first AND a.last
        GROUP BY r.sequence HAVING count(*) > 1
    ) d
    GROUP BY 1, 2, 3 ORDER BY 1, 2, 3
)
INSERT INTO {SCHEMA}.reused AS u (site, bench, instrument, first, last)
SELECT site, bench, instrument, first, last FROM twice
ON CONFLICT (site, bench, instrument) DO UPDATE SET first = least(u.first, excluded.first),
    last = greatest(u.last, excluded.last), newest_at = now()
    WHERE excluded.first < u.first OR excluded.last > u.last
RETURNING site, bench, instrument, first, last, xmax = 0
"""


class Numbers:
    """Sequence numbers that were stored and not looked up yet, as ranges of each instrument."""

    def __init__(self) -> None:
        self._ranges: dict[Source, list[_Range]] = {}
        self._count = 0

    def __bool__(self) -> bool:
        return bool(self._ranges)

    @property
    def many(self) -> bool:
        """Whether it is time to look them up, whatever the clock says."""
        return self._count >= _MOST_RANGES

    def add(self, rows: Iterable[Row]) -> None:
        """Take the numbers of readings that are stored."""
        by_source: defaultdict[Source | None, list[int]] = defaultdict(list)
        for row in rows:
            by_source[row.source].append(row.columns[_SEQUENCE])
        for source, numbers in by_source.items():
            if source is None:
                continue
            held = self._ranges.setdefault(source, [])
            before = len(held)
            lowest, highest = min(numbers), max(numbers)
            # Mostly all of a batch follows what came before: thousands a second do.
            if highest - lowest < len(numbers) + _NEAR:
                _extend(held, lowest, highest)
            else:
                for number in sorted(numbers):
                    _extend(held, number, number)
            self._count += len(held) - before

    @property
    def ranges(self) -> list[tuple[Source, _Range]]:
        """All of them."""
        return [(source, each) for source, held in self._ranges.items() for each in held]

    def clear(self) -> None:
        """Be empty."""
        self._ranges, self._count = {}, 0


def _extend(held: list[_Range], lowest: int, highest: int) -> None:
    """Take some more numbers, as part of the newest range where they are near it."""
    if held:
        first, last = held[-1]
        if first <= lowest <= last + _NEAR:
            held[-1] = (first, max(last, highest))
            return
    held.append((lowest, highest))


def look_up(database: Database, numbers: Numbers, tell: Tell) -> None:
    """Keep, and tell the first time, what of these numbers more than one reading has.

    They are looked up no more then.

    Raises:
        HistorianError: the database is away; the numbers are kept for the next time.
    """
    _look_up(database, numbers.ranges, tell)
    numbers.clear()


def _look_up(database: Database, numbers: Iterable[tuple[Source, _Range]], tell: Tell) -> None:
    asked = [(*source, first, last) for source, (first, last) in numbers]
    if not asked:
        return
    columns = [list(column) for column in zip(*asked, strict=True)]
    try:
        found = database.connection.execute(_TWICE, columns).fetchall()
    except psycopg.Error as error:
        raise HistorianError(f"database: {line_of(error)}") from error
    for site, bench, instrument, first, last, is_new in found:
        if is_new:
            tell(
                "historian.sequence_reused",
                site=site, bench=bench, instrument=instrument, first=first, last=last,
            )  # fmt: skip


def recheck_put_back(database: Database, tell: Tell) -> None:
    """Look through the newest numbers of benches whose journal was put back, once it is compared.

    Raises:
        HistorianError: the database is away.
    """
    due = database.fetch(
        f"SELECT site, bench, journal FROM {SCHEMA}.journals "
        "WHERE recheck AND is_current AND counted ORDER BY 1, 2"
    )
    for site, bench, journal in due:
        newest = database.fetch(
            "SELECT i.instrument, n.sequence "
            f"FROM {SCHEMA}.instruments i CROSS JOIN LATERAL ("
            f"SELECT max(r.sequence) AS sequence FROM {SCHEMA}.readings r WHERE r.site = i.site "
            "AND r.bench = i.bench AND r.instrument = i.instrument) n "
            "WHERE i.site = %s AND i.bench = %s AND n.sequence IS NOT NULL ORDER BY 1 LIMIT %s",
            (site, bench, _MOST_INSTRUMENTS),
        )
        _look_up(
            database,
            [
                ((site, bench, instrument), (max(last - _LOOKED_THROUGH, 1), last))
                for instrument, last in newest
            ],
            tell,
        )
        database.fetch(
            f"UPDATE {SCHEMA}.journals SET recheck = false "
            "WHERE site = %s AND bench = %s AND journal = %s RETURNING 1",
            (site, bench, journal),
        )
