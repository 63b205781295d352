"""Sequence numbers that two readings have, which no hole can show.

A bench whose journal was put back to an earlier backup counts on from there: the numbers that came
after the backup are used again, by other readings. Both are kept, as each has an id of its own. But
a number that is there says no more that nothing is missing.

What was stored is looked up by its numbers a moment later, when the other worker's part of the
stream is there as well. A worker that is killed leaves a few seconds without a look, and what came
while nobody listened is not here at all; so when a bench's list shows that its journal is not the
one that was compared before, its newest numbers are looked through, and it is asked for what it has
under them.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable
from uuid import UUID, uuid4

import psycopg

from capture.errors import HistorianError
from capture.historian.bounds import Tell
from capture.historian.budget import Budget
from capture.historian.intake import COLUMNS, Row
from capture.historian.migrate import SCHEMA
from capture.historian.settings import Gaps
from capture.historian.store import Database, Source, line_of

_NEAR = 64  # numbers that are looked through rather than begun anew behind
_MOST_RANGES = 20_000  # each of which is a look into an index
_LOOKED_THROUGH = 10_000  # newest numbers of an instrument; as many as a bench gives at a request
_MOST_INSTRUMENTS = 200  # of such a bench
_MOST_DOUBLINGS = 6  # of the time between questions that nobody answers
_SEQUENCE = COLUMNS["readings"].index("sequence")

_Range = tuple[int, int]

_TWICE = f"""
WITH asked AS (
    SELECT * FROM unnest(%s::text[], %s::text[], %s::text[], %s::bigint[], %s::bigint[])
        AS a (site, bench, instrument, first, last)
), twice AS (
    SELECT a.site, a.bench, a.instrument, min(d.sequence) AS first, max(d.sequence) AS last
    FROM asked a CROSS JOIN LATERAL (
        SELECT r.sequence, max(r.stored_at) AS newest FROM {SCHEMA}.readings r
        WHERE r.site = a.site AND r.bench = a.bench AND r.instrument = a.instrument
          AND r.sequence BETWEEN a.first AND a.last
        GROUP BY r.sequence HAVING count(*) > 1
    ) d
    -- What somebody has settled is told again where one more came since.
    WHERE NOT EXISTS (
        SELECT FROM {SCHEMA}.settled s
        WHERE s.site = a.site AND s.bench = a.bench AND s.instrument = a.instrument
          AND s.state = 'reused' AND d.sequence BETWEEN s.first AND s.last
          AND s.settled_at > d.newest)
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


def recheck_put_back(
    database: Database, settings: Gaps, budget: Budget, ask: Callable[..., None], tell: Tell
) -> None:
    """Do what is to be done about a journal that was put back, once it is compared.

    Its bench is asked for what it has now under the newest numbers that are here already: where
    nobody heard it, no hole shows that. Asked until it answers, ever more seldom.

    Raises:
        HistorianError: the database is away.
    """
    due = database.fetch(
        f"SELECT site, bench, journal FROM {SCHEMA}.journals "
        "WHERE recheck AND is_current AND counted ORDER BY 1, 2"
    )
    for site, bench, journal in due:
        _begin_recheck(database, (site, bench), journal, tell)
    # What the bench has cut off its journal meanwhile it cannot send any more.
    database.connection.execute(
        f"UPDATE {SCHEMA}.instruments SET recheck_first = NULL, recheck_last = NULL "
        "WHERE recheck_last < begins"
    )
    asked = database.fetch(
        "SELECT i.site, i.bench, i.instrument, greatest(i.recheck_first, i.begins), i.recheck_last "
        f"FROM {SCHEMA}.instruments i JOIN {SCHEMA}.journals j USING (site, bench) "
        "WHERE i.recheck_last IS NOT NULL AND j.is_current AND j.state = 'online' "
        "AND (i.recheck_at IS NULL OR i.recheck_at > now() OR i.recheck_at <= "
        "now() - make_interval(secs => %s * 2 ^ least(i.recheck_tries - 1, %s))) ORDER BY 1, 2, 3",
        (settings.wait_s, _MOST_DOUBLINGS),
    )
    for site, bench, instrument, first, last in asked:
        if not budget.entries_of(site, bench):
            continue
        request = {"id": str(uuid4()), "instrument": instrument, "first": first, "last": last}
        ask(site, bench, request)
        database.connection.execute(
            f"UPDATE {SCHEMA}.instruments "
            "SET recheck_at = now(), recheck_tries = recheck_tries + 1 "
            "WHERE site = %s AND bench = %s AND instrument = %s",
            (site, bench, instrument),
        )


def _begin_recheck(database: Database, bench: tuple[str, str], journal: UUID, tell: Tell) -> None:
    newest = database.fetch(
        "SELECT i.instrument, n.sequence, least(n.sequence, i.told) "
        f"FROM {SCHEMA}.instruments i CROSS JOIN LATERAL ("
        f"SELECT max(r.sequence) AS sequence FROM {SCHEMA}.readings r WHERE r.site = i.site "
        "AND r.bench = i.bench AND r.instrument = i.instrument) n "
        "WHERE i.site = %s AND i.bench = %s AND n.sequence IS NOT NULL ORDER BY 1 LIMIT %s",
        (*bench, _MOST_INSTRUMENTS),
    )
    here = [((*bench, name), (max(last - _LOOKED_THROUGH, 1), last)) for name, last, _ in newest]
    _look_up(database, here, tell)
    with database.connection.transaction(), database.connection.cursor() as cursor:
        for name, _, last in newest:
            cursor.execute(
                f"UPDATE {SCHEMA}.instruments SET recheck_first = greatest(begins, %s), "
                "recheck_last = %s, recheck_at = NULL, recheck_tries = 0 "
                "WHERE site = %s AND bench = %s AND instrument = %s "
                # The bench has nothing of an instrument that its list does not tell of.
                "AND told IS NOT NULL AND begins <= %s AND begins > 0",
                (max(last - _LOOKED_THROUGH + 1, 1), last, *bench, name, last),
            )
        cursor.execute(
            f"UPDATE {SCHEMA}.journals SET recheck = false "
            "WHERE site = %s AND bench = %s AND journal = %s",
            (*bench, journal),
        )


def has_sent(
    cursor: psycopg.Cursor, bench: tuple[str, str], instrument: str, first: int, last: int
) -> None:
    """Hear that a bench has sent readings: what it was to say of its newest numbers is here."""
    cursor.execute(
        f"UPDATE {SCHEMA}.instruments SET recheck_first = NULL, recheck_last = NULL "
        "WHERE site = %s AND bench = %s AND instrument = %s "
        "AND greatest(recheck_first, begins) >= %s AND recheck_last <= %s",
        (*bench, instrument, first, last),
    )
