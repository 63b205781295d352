"""Holes in the sequence numbers: found in SQL, asked for by range, given up in the end, visibly.

The bench counts the readings of each instrument without a gap, so a number that is missing between
others was lost between its journal and here, or is still on its way.
"""

from collections.abc import Callable
from typing import Any
from uuid import uuid4

from capture.historian.migrate import SCHEMA
from capture.historian.settings import Gaps
from capture.historian.store import Database

_LOCK = 0x6265_6E65
_MOST_HOLES = 200  # an instrument's holes that are looked after at a time
_LONGEST_RANGE = 10_000  # readings that a bench gives at a request

_SOURCES = f"SELECT site, bench, instrument, whole FROM {SCHEMA}.instruments ORDER BY 1, 2, 3"
_HOLES = f"""
SELECT before + 1, sequence - 1 FROM (
    SELECT sequence, lag(sequence, 1, %s) OVER (ORDER BY sequence) AS before
    FROM {SCHEMA}.readings
    WHERE site = %s AND bench = %s AND instrument = %s AND sequence > %s
) AS counted WHERE sequence > before + 1 ORDER BY 1 LIMIT %s
"""
_NEWEST = f"""
SELECT max(sequence) FROM {SCHEMA}.readings WHERE site = %s AND bench = %s AND instrument = %s
"""

Ask = Callable[[str, str, dict[str, Any]], None]


def look_for_gaps(database: Database, settings: Gaps, ask: Ask) -> int:
    """Bring the table of gaps up to date and ask for what is due; give how many are open.

    Does nothing where another worker is at it.

    Raises:
        HistorianError: the database is away.
    """
    if not database.fetch("SELECT pg_try_advisory_lock(%s)", (_LOCK,))[0][0]:
        return 0
    try:
        for site, bench, instrument, whole in database.fetch(_SOURCES):
            _look_at(database, (site, bench, instrument), whole)
        _ask(database, settings, ask)
        ((count,),) = database.fetch(f"SELECT count(*) FROM {SCHEMA}.gaps WHERE state = 'open'")
        return int(count)
    finally:
        database.fetch("SELECT pg_advisory_unlock(%s)", (_LOCK,))


def _look_at(database: Database, source: tuple[str, str, str], whole: int) -> None:
    """Compare the holes that are there with those that are known of one instrument."""
    holes = dict(database.fetch(_HOLES, (whole, *source, whole, _MOST_HOLES)))
    where = "site = %s AND bench = %s AND instrument = %s"
    known = {
        first: (last, state)
        for first, last, state in database.fetch(
            f"SELECT first, last, state FROM {SCHEMA}.gaps WHERE {where} AND first > %s",
            (*source, whole),
        )
    }
    with database.connection.transaction(), database.connection.cursor() as cursor:
        for first, (last, _state) in known.items():
            if holes.get(first) != last:
                # Filled, in part or whole, or seen smaller than before; what is left is found anew.
                cursor.execute(
                    f"DELETE FROM {SCHEMA}.gaps WHERE {where} AND first = %s",
                    (*source, first),
                )
        for first, last in holes.items():
            cursor.execute(
                f"INSERT INTO {SCHEMA}.gaps (site, bench, instrument, first, last) "
                "VALUES (%s, %s, %s, %s, %s) ON CONFLICT DO NOTHING",
                (*source, first, last),
            )
        wanted = [first for first, last in holes.items() if known.get(first) != (last, "given-up")]
        if wanted:
            reached = min(wanted) - 1
        elif len(holes) < _MOST_HOLES:
            cursor.execute(_NEWEST, source)
            row = cursor.fetchone()
            reached = whole if row is None or row[0] is None else int(row[0])
        else:
            reached = max(holes.values())
        # What was given up is passed: it stays in the table, and is looked at no more.
        if reached > whole:
            cursor.execute(
                f"UPDATE {SCHEMA}.instruments SET whole = %s WHERE {where}", (reached, *source)
            )


def _ask(database: Database, settings: Gaps, ask: Ask) -> None:
    """Ask for holes that have been open for long enough, oldest first, so many of a bench."""
    due = database.fetch(
        f"SELECT site, bench, instrument, first, last, tries FROM {SCHEMA}.gaps "
        "WHERE state = 'open' "
        "AND coalesce(asked_at, found_at) <= now() - make_interval(secs => %s) "
        "ORDER BY found_at, site, bench, instrument, first",
        (settings.wait_s,),
    )
    asked: dict[tuple[str, str], int] = {}
    for site, bench, instrument, first, last, tries in due:
        key = (site, bench, instrument, first)
        where = "WHERE site = %s AND bench = %s AND instrument = %s AND first = %s"
        if tries >= settings.tries:
            database.connection.execute(f"UPDATE {SCHEMA}.gaps SET state = 'given-up' {where}", key)
            continue
        if asked.get((site, bench), 0) >= settings.requests:
            continue
        asked[site, bench] = asked.get((site, bench), 0) + 1
        request = {
            "id": str(uuid4()),
            "instrument": instrument,
            "first": first,
            "last": min(last, first + _LONGEST_RANGE - 1),
        }
        ask(site, bench, request)
        database.connection.execute(
            f"UPDATE {SCHEMA}.gaps SET asked_at = now(), tries = tries + 1 {where}", key
        )
