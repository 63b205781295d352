"""Holes in the sequence numbers: found in SQL, asked for by range, given up in the end, visibly.

The bench counts the readings of each instrument without a gap, so a number that is missing between
others was lost between its journal and here, or is still on its way. What is missing at the end
stands between no others: how far it counted a bench says itself (`capture.historian.lists`).
"""

from collections.abc import Callable
from typing import Any
from uuid import uuid4

import psycopg

from capture.historian.bounds import Tell
from capture.historian.budget import Budget
from capture.historian.lists import ask_for_lists
from capture.historian.migrate import SCHEMA
from capture.historian.reuse import recheck_put_back
from capture.historian.settings import Bounds, Gaps
from capture.historian.states import take_up_refused
from capture.historian.store import LOOK_LOCK, Database

_MOST_HOLES = 200  # an instrument's holes that are looked after at a time
_LONGEST_RANGE = 10_000  # readings that a bench gives at a request

_SOURCES = f"SELECT site, bench, instrument, whole, told FROM {SCHEMA}.instruments ORDER BY 1, 2, 3"
# Nothing is added before the comparison: a bench may count up to the largest bigint.
_HOLES = f"""
SELECT before + 1, sequence - 1 FROM (
    SELECT sequence, lag(sequence, 1, %s) OVER (ORDER BY sequence) AS before
    FROM {SCHEMA}.readings
    WHERE site = %s AND bench = %s AND instrument = %s AND sequence > %s
) AS counted WHERE sequence - 1 > before ORDER BY 1 LIMIT %s
"""
_NEWEST = f"""
SELECT max(sequence) FROM {SCHEMA}.readings WHERE site = %s AND bench = %s AND instrument = %s
"""

Ask = Callable[[str, str, dict[str, Any]], None]
_USUAL = Bounds()
_GIVEN_UP = ("given-up", "settled")  # asked for no more


def look_for_gaps(
    database: Database,
    settings: Gaps,
    ask: Ask,
    *,
    soon: bool = False,
    bounds: Bounds = _USUAL,
    tell: Tell | None = None,
) -> int:
    """Bring the tables of what is missing up to date and ask for what is due; give the open gaps.

    Does nothing where another worker is at it. A look that comes ``soon`` after another asks each
    bench for little, so that it need not refuse anything.

    Raises:
        HistorianError: the database is away.
    """
    if not database.fetch("SELECT pg_try_advisory_lock(%s)", (LOOK_LOCK,))[0][0]:
        return 0
    try:
        tell = tell or _tell_nobody
        take_up_refused(database, bounds, tell)
        for site, bench, instrument, whole, told in database.fetch(_SOURCES):
            _look_at(database, (site, bench, instrument), whole, told)
        budget = Budget(1 if soon else settings.requests)
        ask_for_lists(database, settings, budget, ask, bounds, tell)
        _ask(database, settings, budget, ask)
        recheck_put_back(database, settings, budget, ask, tell)
        ((count,),) = database.fetch(f"SELECT count(*) FROM {SCHEMA}.gaps WHERE state = 'open'")
        return int(count)
    finally:
        database.fetch("SELECT pg_advisory_unlock(%s)", (LOOK_LOCK,))


def _tell_nobody(_event: str, **_more: object) -> None:
    """Take what is told where nobody listens."""


def _look_at(
    database: Database, source: tuple[str, str, str], whole: int, told: int | None
) -> None:
    """Compare the holes that are there with those that are known of one instrument."""
    holes = dict(database.fetch(_HOLES, (whole, *source, whole, _MOST_HOLES)))
    if told is not None and told > whole and len(holes) < _MOST_HOLES:
        newest = max(whole, int(database.fetch(_NEWEST, source)[0][0] or 0))
        if told > newest:
            holes[newest + 1] = told
    where = "site = %s AND bench = %s AND instrument = %s"
    known = {
        first: (last, state, found_at, asked_at)
        for first, last, state, found_at, asked_at in database.fetch(
            # As text: there may be no such moment as Python's own, such as -infinity.
            "SELECT first, last, state, found_at::text, asked_at::text "
            f"FROM {SCHEMA}.gaps WHERE {where} AND first > %s",
            (*source, whole),
        )
    }
    few = len(holes) < _MOST_HOLES
    holes = _parted(holes, {first: last for first, (last, *_) in known.items()})
    with database.connection.transaction(), database.connection.cursor() as cursor:
        for first, (last, *_) in known.items():
            if holes.get(first) != last:
                # Filled, in part or whole, or seen smaller than before; what is left is found anew.
                cursor.execute(
                    f"DELETE FROM {SCHEMA}.gaps WHERE {where} AND first = %s",
                    (*source, first),
                )
        for first, last in holes.items():
            # What is left of a hole has been open for as long as the whole of it.
            before = [
                (state, found_at, asked_at)
                for begin, (end, state, found_at, asked_at) in known.items()
                if begin <= first and last <= end
            ]
            state, found_at, asked_at = before[0] if before else ("open", None, None)
            cursor.execute(
                f"INSERT INTO {SCHEMA}.gaps "
                "(site, bench, instrument, first, last, state, found_at, asked_at) VALUES "
                "(%s, %s, %s, %s, %s, %s, coalesce(%s::timestamptz, now()), %s::timestamptz) "
                "ON CONFLICT DO NOTHING",
                # Of one that somebody settled nothing is asked for again.
                (
                    *source, first, last, "settled" if state == "settled" else "open",
                    found_at, asked_at,
                ),
            )  # fmt: skip
        wanted = [
            first
            for first, last in holes.items()
            if known.get(first, ())[:2] not in [(last, state) for state in _GIVEN_UP]
        ]
        if wanted:
            reached = min(wanted) - 1
        elif few:
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
            passed = [
                (first, last)
                for first, last in sorted(holes.items())
                if last <= reached and known.get(first, ())[:2] == (last, "given-up")
            ]
            _join_passed(cursor, source, passed)


def _parted(holes: dict[int, int], known: dict[int, int]) -> dict[int, int]:
    """Part holes at the ends of those that are known, which may have grown behind since.

    A bench that goes on counting what never comes would else be asked anew, for all of it, each
    time that it tells a higher number.
    """
    parted, in_order = {}, sorted(known.items())
    for first, last in holes.items():
        at = first
        for begin, end in in_order:
            if begin <= at <= end < last:
                parted[at] = end
                at = end + 1
        parted[at] = last
    return parted


def _join_passed(
    cursor: psycopg.Cursor, source: tuple[str, str, str], passed: list[tuple[int, int]]
) -> None:
    """Make one of given-up holes that follow each other: else one more for every part of a hole."""
    where = "site = %s AND bench = %s AND instrument = %s"
    for first, last in passed:
        cursor.execute(
            f"UPDATE {SCHEMA}.gaps SET last = %s "
            f"WHERE {where} AND last = %s AND state = 'given-up'",
            (last, *source, first - 1),
        )
        if cursor.rowcount:
            cursor.execute(
                f"DELETE FROM {SCHEMA}.gaps WHERE {where} AND first = %s", (*source, first)
            )


def _ask(database: Database, settings: Gaps, budget: Budget, ask: Ask) -> None:
    """Ask for holes that have been open for long enough, oldest first, so many of a bench."""
    due = database.fetch(
        "SELECT g.site, g.bench, g.instrument, g.first, g.last, g.tries, coalesce(i.begins, 0) "
        f"FROM {SCHEMA}.gaps g LEFT JOIN {SCHEMA}.instruments i USING (site, bench, instrument) "
        "WHERE g.state = 'open' "
        # A moment that is still to come is one of a clock that was wrong: it is waited for no more.
        "AND (coalesce(g.asked_at, g.found_at) <= now() - make_interval(secs => %s) "
        "OR coalesce(g.asked_at, g.found_at) > now()) "
        # One that is offline cannot answer: it is asked when it is back, and not given up.
        f"AND NOT EXISTS (SELECT FROM {SCHEMA}.journals j WHERE j.site = g.site "
        "AND j.bench = g.bench AND j.is_current AND j.state = 'offline') "
        "ORDER BY g.found_at, g.site, g.bench, g.instrument, g.first",
        (settings.wait_s,),
    )
    for site, bench, instrument, first, last, tries, begins in due:
        key = (site, bench, instrument, first)
        where = "WHERE site = %s AND bench = %s AND instrument = %s AND first = %s"
        # What the bench has cut off its journal it cannot send any more.
        if tries >= settings.tries or last < begins:
            database.connection.execute(f"UPDATE {SCHEMA}.gaps SET state = 'given-up' {where}", key)
            continue
        if not budget.entries_of(site, bench):
            continue
        begin = max(first, begins)
        request = {
            "id": str(uuid4()),
            "instrument": instrument,
            "first": begin,
            "last": min(last, begin + _LONGEST_RANGE - 1),
        }
        ask(site, bench, request)
        database.connection.execute(
            f"UPDATE {SCHEMA}.gaps SET asked_at = now(), tries = tries + 1 {where}", key
        )
