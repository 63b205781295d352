"""What people ask of a historian: who serves it, how each bench is, what to ask for once more."""

from typing import Any

from capture.historian.migrate import SCHEMA
from capture.historian.settings import HistorianConfig
from capture.historian.store import LOOK_LOCK, Database
from capture.historian.worker import SLOT_LOCKS, lock_of

#: Columns of the view ``benches``, in the order in which they are shown.
BENCH_COLUMNS = (
    "site", "bench", "state", "heard_at", "newest_reading", "newest_stored", "late_s",
    "compared", "head", "dead_letters", "incomplete", "refused",
)  # fmt: skip


def unserved_slots(database: Database, config: HistorianConfig) -> list[int]:
    """Give the slots that no worker serves now, by the locks that are held.

    Raises:
        HistorianError: the database is away.
    """
    held = {
        int(number)
        for (number,) in database.fetch(
            "SELECT objid::bigint FROM pg_locks WHERE locktype = 'advisory' AND granted "
            "AND classid = %s AND objsubid = 2 "
            "AND database = (SELECT oid FROM pg_database WHERE datname = current_database())",
            (SLOT_LOCKS,),
        )
    }
    return [slot for slot in range(config.slots) if lock_of(config.group, slot) not in held]


def refused(database: Database) -> list[tuple[Any, ...]]:
    """Give what was refused for want of room: site, bench, what, how often, since when.

    Raises:
        HistorianError: the database is away.
    """
    return database.fetch(
        f"SELECT site, bench, what, times, since FROM {SCHEMA}.refusals ORDER BY 1, 2, 3"
    )


def not_compared_yet(database: Database) -> list[tuple[Any, ...]]:
    """Give entries that came since a bench was compared last: site, bench, first, last.

    They are compared in a moment. What is not is in the view ``incomplete``.

    Raises:
        HistorianError: the database is away.
    """
    return database.fetch(
        f"SELECT site, bench, compared + 1, head FROM {SCHEMA}.journals "
        "WHERE is_current AND state = 'online' AND counted AND head > compared ORDER BY 1, 2"
    )


def knows_a_bench(database: Database) -> bool:
    """Whether any bench was ever heard of.

    Raises:
        HistorianError: the database is away.
    """
    return bool(database.fetch(f"SELECT FROM {SCHEMA}.benches LIMIT 1"))


def ask_once_more(database: Database) -> int:
    """Open what was given up, so that a worker asks for it anew; give how much of it there was.

    Raises:
        HistorianError: the database is away.
    """
    with database.connection.transaction(), database.connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s)", (LOOK_LOCK,))
        cursor.execute(
            f"UPDATE {SCHEMA}.missing SET state = 'open', tries = 0, due_at = '-infinity' "
            "WHERE state = 'given-up'"
        )
        count = cursor.rowcount
        # A look passes what was given up. Looked at again from before it, it is found anew.
        cursor.execute(
            f"WITH reopened AS (DELETE FROM {SCHEMA}.gaps WHERE state = 'given-up' "
            "RETURNING site, bench, instrument, first), "
            "lowest AS (SELECT site, bench, instrument, min(first) - 1 AS before FROM reopened "
            "GROUP BY 1, 2, 3), "
            f"back AS (UPDATE {SCHEMA}.instruments i SET whole = least(i.whole, l.before) "
            "FROM lowest l "
            "WHERE (i.site, i.bench, i.instrument) = (l.site, l.bench, l.instrument)) "
            "SELECT count(*) FROM reopened"
        )
        row = cursor.fetchone()
    return count + (0 if row is None else int(row[0]))
