"""What can never come, put aside by a person: who, why and what is kept for good.

Only what nobody asks for any more can be settled: what is open, or waits for a bench, may still
come. What is settled is off the list of what is missing; were it to come after all, it would be
stored like anything else.
"""

from dataclasses import dataclass
from typing import Any, Literal, get_args

import psycopg
from psycopg import errors

from capture.errors import HistorianError, InputError
from capture.historian.migrate import SCHEMA
from capture.historian.store import LOOK_LOCK, Database, line_of

State = Literal["given-up", "cut-off", "gone", "reused", "refused"]
#: What may be settled, by its state in the view ``incomplete``.
STATES: tuple[State, ...] = get_args(State)
#: Columns of what was settled, in the order in which they are shown.
SETTLED_COLUMNS = (
    "n", "settled_at", "operator", "reason", "site", "bench", "what", "instrument", "first",
    "last", "state",
)  # fmt: skip

_PATIENCE = "SET LOCAL lock_timeout = '10s'"
_LONGEST_NAME, _LONGEST_REASON, _SHORTEST_REASON = 200, 500, 3

# What the person saw, and nothing besides: rows of the view.
_SHOWN = (
    f"WITH shown AS MATERIALIZED (SELECT * FROM {SCHEMA}.incomplete "
    "WHERE site = %(site)s AND bench = %(bench)s AND state = %(state)s "
    "AND (%(instrument)s::text IS NULL OR instrument = %(instrument)s) "
    "AND (%(first)s::bigint IS NULL OR first = %(first)s)), done AS ("
)
_OF_BENCH = "site = %(site)s AND bench = %(bench)s"
_KEPT = (
    f") INSERT INTO {SCHEMA}.settled "
    "(operator, reason, site, bench, what, instrument, first, last, state, journal, id) "
    "SELECT %(operator)s, %(reason)s, site, bench, what, instrument, first, last, {state}, "
    "journal, id FROM done"
)
_AS_SHOWN = _KEPT.format(state="%(state)s")
_OF_READINGS = "NULL::uuid AS journal, NULL::uuid AS id"
_OF_JOURNAL = "'all but readings' AS what, '' AS instrument"

_GAPS = (
    f"{_SHOWN}UPDATE {SCHEMA}.gaps SET state = 'settled' WHERE {_OF_BENCH} "
    "AND state = 'given-up' "
    "AND (instrument, first) IN (SELECT instrument, first FROM shown WHERE what = 'readings') "
    f"RETURNING site, bench, 'readings' AS what, instrument, first, last, {_OF_READINGS}"
    f"{_AS_SHOWN}"
)
_ENTRIES = (
    f"{_SHOWN}UPDATE {SCHEMA}.missing m SET state = 'settled' WHERE {_OF_BENCH} "
    "AND (kind || 's', n) IN (SELECT what, first FROM shown) AND {which} "
    "RETURNING site, bench, kind || 's' AS what, '' AS instrument, n AS first, n AS last, "
    "journal, id"
    f"{_AS_SHOWN}"
)
_NOT_ASKED_ANY_MORE = (
    f"state = 'open' AND NOT EXISTS (SELECT FROM {SCHEMA}.journals j WHERE j.site = m.site "
    "AND j.bench = m.bench AND j.journal = m.journal AND j.is_current)"
)
_CUT = (
    f"{_SHOWN}UPDATE {SCHEMA}.journals j SET cut_first = NULL, cut_last = NULL FROM ("
    f"SELECT site, bench, journal, cut_first, cut_last FROM {SCHEMA}.journals "
    f"WHERE {_OF_BENCH} AND cut_last IS NOT NULL "
    "AND {which} IN (SELECT first FROM shown WHERE what = 'all but readings') FOR UPDATE) AS b "
    "WHERE j.site = b.site AND j.bench = b.bench AND j.journal = b.journal "
    f"RETURNING j.site, j.bench, {_OF_JOURNAL}, b.cut_first AS first, b.cut_last AS last, "
    f"j.journal, NULL::uuid AS id{_KEPT.format(state=repr('cut-off'))}"
)
# Whoever puts such a journal back has it compared from its beginning.
_JOURNALS = (
    f"{_SHOWN}DELETE FROM {SCHEMA}.journals WHERE {_OF_BENCH} AND NOT is_current "
    "AND compared + 1 IN (SELECT first FROM shown WHERE what = 'all but readings') "
    "AND (NOT counted OR compared < head) "
    f"RETURNING site, bench, {_OF_JOURNAL}, compared + 1 AS first, "
    f"greatest(compared + 1, head) AS last, journal, NULL::uuid AS id{_AS_SHOWN}"
)
_REUSED = (
    f"{_SHOWN}DELETE FROM {SCHEMA}.reused WHERE {_OF_BENCH} "
    "AND (instrument, first) IN (SELECT instrument, first FROM shown) "
    f"RETURNING site, bench, 'readings' AS what, instrument, first, last, {_OF_READINGS}"
    f"{_AS_SHOWN}"
)
_REFUSED = (
    f"{_SHOWN}DELETE FROM {SCHEMA}.refusals WHERE {_OF_BENCH} AND what IN (SELECT what FROM shown) "
    "RETURNING site, bench, what, '' AS instrument, NULL::bigint AS first, "
    f"NULL::bigint AS last, journal, NULL::uuid AS id{_AS_SHOWN}"
)
_WAYS: dict[State, tuple[str, ...]] = {
    "given-up": (_GAPS, _ENTRIES.format(which="state = 'given-up'")),
    "cut-off": (_GAPS, _CUT.format(which="cut_first")),
    # What had been cut off such a journal is kept with it.
    "gone": (
        _ENTRIES.format(which=_NOT_ASKED_ANY_MORE),
        _CUT.format(which="NOT is_current AND compared + 1"),
        _JOURNALS,
    ),
    "reused": (_REUSED,),
    "refused": (_REFUSED,),
}


@dataclass(frozen=True, slots=True)
class Which:
    """What is to be settled: all of a state of a bench, or part of it."""

    site: str
    bench: str
    state: State
    instrument: str | None = None
    first: int | None = None


def settle(database: Database, which: Which, operator: str, reason: str) -> int:
    """Settle what can never come; give how many rows of ``incomplete`` that was.

    Raises:
        InputError: nobody is named, or no reason given.
        HistorianError: the database is away, or another worker holds the place.
    """
    arguments: dict[str, Any] = {
        "site": which.site, "bench": which.bench, "state": which.state,
        "instrument": which.instrument, "first": which.first,
        "operator": _line(operator, "--operator", 1, _LONGEST_NAME),
        "reason": _line(reason, "--why", _SHORTEST_REASON, _LONGEST_REASON),
    }  # fmt: skip
    count = 0
    try:
        with database.connection.transaction(), database.connection.cursor() as cursor:
            cursor.execute(_PATIENCE)
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", (LOOK_LOCK,))
            for way in _WAYS[which.state]:
                cursor.execute(way.encode(), arguments)
                count += cursor.rowcount
    except errors.LockNotAvailable as error:
        raise HistorianError(
            "a worker has been looking for gaps for long; settle it in a moment, or see whether "
            "that worker hangs"
        ) from error
    except psycopg.Error as error:
        raise HistorianError(f"database: {line_of(error)}") from error
    return count


def _line(text: str, option: str, least: int, most: int) -> str:
    """Give what somebody wrote as one line without control characters."""
    text = " ".join(text.split())
    if not least <= len(text) <= most or not text.isprintable():
        raise InputError(f"{option}: a line of {least} to {most} characters")
    return text
