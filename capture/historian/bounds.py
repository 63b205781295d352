"""What is refused where a bench has had its share of rows, kept so that it is told and taken up.

Refused is only what a bench says of itself: nothing that was captured. All of it is still with the
bench, which is asked for it when there is room again.
"""

from collections.abc import Callable
from typing import Literal
from uuid import UUID

import psycopg

from capture.historian.migrate import SCHEMA
from capture.historian.settings import Bounds
from capture.historian.words import StateWord

Bench = tuple[str, str]
#: What is refused: a bench's state, its journal, its instruments, its next list, what it said.
What = Literal["benches", "journals", "instruments", "lists", "words"]
#: Says that something is worth telling: event, site, bench, and what else.
Tell = Callable[..., None]

#: Stands for all benches that were never heard of before: else each of them made a row.
NOBODY: Bench = ("", "")

_OF_BENCH = "site = %s AND bench = %s"


def refuse(
    cursor: psycopg.Cursor,
    bench: Bench,
    what: What,
    tell: Tell,
    *,
    times: int = 1,
    word: StateWord | None = None,
) -> None:
    """Keep that something of a bench was refused, and tell it the first time."""
    head = None if word is None or word.head is None else word.head.n
    cursor.execute(
        f"INSERT INTO {SCHEMA}.refusals AS r "
        "(site, bench, what, times, journal, state, head, dead_letters) "
        "VALUES (%s, %s, %s, %s, %s, %s, %s, %s) ON CONFLICT (site, bench, what) DO UPDATE SET "
        # A bench without end of new journals says each of them once.
        "times = r.times + excluded.times, newest = now(), journal = excluded.journal, "
        "state = excluded.state, dead_letters = excluded.dead_letters, "
        # The last will has no head, and takes none away.
        "head = CASE WHEN r.journal = excluded.journal THEN coalesce(excluded.head, r.head) "
        "ELSE excluded.head END RETURNING xmax = 0",
        (
            *bench, what, times,
            None if word is None else word.journal,
            None if word is None else word.state,
            head,
            None if word is None else word.dead_letters,
        ),
    )  # fmt: skip
    (is_new,) = cursor.fetchone() or (True,)
    if is_new:
        tell("historian.refused", site=bench[0], bench=bench[1], what=what, times=times)


def no_more(cursor: psycopg.Cursor, bench: Bench, what: What) -> None:
    """Forget that something was refused: there is room now."""
    cursor.execute(f"DELETE FROM {SCHEMA}.refusals WHERE {_OF_BENCH} AND what = %s", (*bench, what))


def known_bench(cursor: psycopg.Cursor, bench: Bench) -> bool:
    """Whether a bench was ever heard to say how it is."""
    cursor.execute(f"SELECT FROM {SCHEMA}.journals WHERE {_OF_BENCH} LIMIT 1", bench)
    return cursor.fetchone() is not None


def room_for_bench(cursor: psycopg.Cursor, bench: Bench, bounds: Bounds) -> bool:
    """Whether one more bench may be heard of; those that are known always may."""
    if known_bench(cursor, bench):
        return True
    cursor.execute(
        f"SELECT count(*) FROM (SELECT DISTINCT site, bench FROM {SCHEMA}.journals) AS known"
    )
    (count,) = cursor.fetchone() or (0,)
    return bool(count < bounds.benches)


def room_for_journal(
    cursor: psycopg.Cursor, bench: Bench, journal: UUID | None, bounds: Bounds
) -> bool:
    """Whether a bench may have this journal; one that is known always may.

    Journals that it has no more, and of which nothing is left to be known, make room, the oldest
    first: were one of them put back, it would be compared from its beginning.
    """
    cursor.execute(
        f"SELECT count(*), count(*) FILTER (WHERE journal = %s) FROM {SCHEMA}.journals "
        f"WHERE {_OF_BENCH}",
        (journal, *bench),
    )
    count, known = cursor.fetchone() or (0, 0)
    if known or count < bounds.journals:
        return True
    cursor.execute(
        f"DELETE FROM {SCHEMA}.journals WHERE (site, bench, journal) IN ("
        f"SELECT j.site, j.bench, j.journal FROM {SCHEMA}.journals j "
        "WHERE j.site = %s AND j.bench = %s AND NOT j.is_current AND j.counted "
        "AND j.compared >= coalesce(j.head, 0) AND j.cut_last IS NULL "
        f"AND NOT EXISTS (SELECT FROM {SCHEMA}.missing m WHERE m.site = j.site "
        "AND m.bench = j.bench AND m.journal = j.journal AND m.state <> 'settled') "
        "ORDER BY j.heard_at LIMIT %s)",
        (*bench, count - bounds.journals + 1),
    )
    return bool(count - cursor.rowcount < bounds.journals)


def told_of(
    cursor: psycopg.Cursor,
    bench: Bench,
    sequences: dict[str, tuple[int, int]],
    bounds: Bounds,
    tell: Tell,
) -> dict[str, tuple[int, int]]:
    """Give what a list may say of instruments: all that are known, and new ones as there is room.

    The rest is refused.
    """
    cursor.execute(f"SELECT instrument FROM {SCHEMA}.instruments WHERE {_OF_BENCH}", bench)
    known = {name for (name,) in cursor.fetchall()}
    new = sorted(set(sequences) - known)
    room = max(bounds.instruments - len(known), 0)
    if len(new) > room:
        refuse(cursor, bench, "instruments", tell, times=len(new) - room)
    else:
        no_more(cursor, bench, "instruments")
    return {name: sequences[name] for name in sorted({*new[:room], *known & set(sequences)})}
