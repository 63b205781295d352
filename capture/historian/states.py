"""How a bench is, and which journal it has: what it says itself, or the broker on its behalf."""

import psycopg

from capture.historian.bounds import (
    NOBODY,
    Bench,
    Tell,
    refuse,
    room_for_bench,
    room_for_journal,
)
from capture.historian.migrate import SCHEMA
from capture.historian.settings import Bounds
from capture.historian.store import Database
from capture.historian.words import StateWord

# Whoever takes up what was refused must not undo what a bench has said since, to another worker.
_STATES_LOCK = 0x6265_6E67

_THIS = "site = %s AND bench = %s AND journal = %s"


def take_state(
    cursor: psycopg.Cursor, bench: Bench, word: StateWord, bounds: Bounds, tell: Tell
) -> bool:
    """Keep how a bench is; True where it is new, or back, and has something to be compared."""
    cursor.execute("SELECT pg_advisory_xact_lock(%s)", (_STATES_LOCK,))
    if not room_for_bench(cursor, bench, bounds):
        refuse(cursor, NOBODY, "benches", tell)
        return False
    head = None if word.head is None else word.head.n
    cursor.execute(
        f"SELECT FROM {SCHEMA}.journals WHERE {_THIS} AND is_current AND state = 'online'",
        (*bench, word.journal),
    )
    was_there = cursor.fetchone() is not None
    cursor.execute(
        f"UPDATE {SCHEMA}.journals SET is_current = false "
        "WHERE site = %s AND bench = %s AND journal <> %s AND is_current",
        (*bench, word.journal),
    )
    # Whatever becomes of the new one, the bench has the one before no more.
    if not room_for_journal(cursor, bench, word.journal, bounds):
        refuse(cursor, bench, "journals", tell, word=word)
        return False
    # The broker gives the same state again at each connection: that is not heard anew.
    cursor.execute(
        f"INSERT INTO {SCHEMA}.journals AS j "
        "(site, bench, journal, is_current, state, first_head, head, dead_letters) "
        "VALUES (%s, %s, %s, true, %s, %s, %s, %s) "
        "ON CONFLICT (site, bench, journal) DO UPDATE SET is_current = true, "
        "state = excluded.state, head = coalesce(excluded.head, j.head), "
        "first_head = coalesce(j.first_head, excluded.head), "
        "dead_letters = excluded.dead_letters, "
        "heard_at = CASE WHEN j.is_current AND j.state = excluded.state "
        "AND j.head IS NOT DISTINCT FROM coalesce(excluded.head, j.head) "
        "THEN j.heard_at ELSE now() END, "
        # Whoever comes back is asked at once, however long nobody had answered.
        "asked_at = CASE WHEN j.state = 'offline' AND excluded.state = 'online' "
        "THEN NULL ELSE j.asked_at END "
        "RETURNING compared < first_head, NOT counted OR head <> compared",
        (*bench, word.journal, word.state, head, head, word.dead_letters),
    )
    is_history, is_more = cursor.fetchone() or (False, False)
    cursor.execute(
        f"DELETE FROM {SCHEMA}.refusals WHERE {_THIS} AND what = 'journals'", (*bench, word.journal)
    )
    return word.state == "online" and bool(is_history or (is_more and not was_there))


def take_up_refused(database: Database, bounds: Bounds, tell: Tell) -> None:
    """Take up what was refused and has room now, as after somebody settled what was gone.

    Raises:
        HistorianError: the database is away.
    """
    with database.connection.transaction(), database.connection.cursor() as cursor:
        # Not waited for: another worker may hang with it, and entries must not wait for that.
        if not database.fetch("SELECT pg_try_advisory_xact_lock(%s)", (_STATES_LOCK,))[0][0]:
            return
        waiting = database.fetch(
            "SELECT site, bench, journal, state, head, dead_letters "
            f"FROM {SCHEMA}.refusals r WHERE what = 'journals' AND NOT EXISTS ("
            # Another journal was heard of since: then the refused one is the bench's no more.
            f"SELECT FROM {SCHEMA}.journals j WHERE j.site = r.site AND j.bench = r.bench "
            "AND j.is_current) ORDER BY 1, 2"
        )
        for site, bench, journal, state, head, dead_letters in waiting:
            if room_for_journal(cursor, (site, bench), journal, bounds):
                word = StateWord.model_validate(
                    {
                        "schema_version": 1, "state": state, "journal": journal,
                        "dead_letters": dead_letters, "head": None if head is None else {"n": head},
                    }
                )  # fmt: skip
                take_state(cursor, (site, bench), word, bounds, tell)
        # Instruments are told of by each bench's next list, which is asked for at once.
        cursor.execute(
            f"WITH room AS (DELETE FROM {SCHEMA}.refusals r WHERE what = 'instruments' AND ("
            f"SELECT count(*) FROM {SCHEMA}.instruments i "
            "WHERE i.site = r.site AND i.bench = r.bench) < %s RETURNING site, bench) "
            f"UPDATE {SCHEMA}.journals j SET counted = false FROM room "
            "WHERE j.site = room.site AND j.bench = room.bench AND j.is_current",
            (bounds.instruments,),
        )
        # Benches say how they are again, and were asked again for what got no room in memory.
        cursor.execute(
            f"DELETE FROM {SCHEMA}.refusals r WHERE what = 'benches' AND ("
            f"SELECT count(*) FROM (SELECT DISTINCT site, bench FROM {SCHEMA}.journals) AS known"
            f") < %s OR what = 'words' AND EXISTS (SELECT FROM {SCHEMA}.journals j "
            "WHERE j.site = r.site AND j.bench = r.bench AND j.compared_at > r.newest)",
            (bounds.benches,),
        )
