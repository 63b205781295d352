"""What a bench has against what is here: the way to whatever no sequence number tells of.

A bench is asked what there is after the entry of its journal up to which all was compared. What
is not here of its list is kept in the table ``missing`` and asked for, at the pace of the looks,
until it has come or is given up; the next page is asked for meanwhile. All of it stands in the
database, so any worker goes on where another one ended, and a database that was put back to an
earlier state goes on from there.
"""

from collections.abc import Callable
from typing import Any
from uuid import UUID, uuid4

import psycopg
from psycopg import errors

from capture.errors import HistorianError
from capture.historian.bounds import Bench, Tell, no_more, refuse, told_of
from capture.historian.budget import Budget
from capture.historian.migrate import SCHEMA
from capture.historian.reuse import has_sent
from capture.historian.settings import Bounds, Gaps
from capture.historian.states import take_state
from capture.historian.store import LOOK_LOCK, Database, line_of
from capture.historian.words import DoneWord, Heard, ListWord, StateWord, Word

#: Where each kind of entry is stored.
_TABLES = {"gap": "interruptions", "record": "records", "result": "results", "tag": "tags"}
_MOST_MISSING = 2000  # of a bench that are open; no further list is asked for before they are fewer
_LOOKED_FOR = 2000  # missing entries that are looked for in the tables at a look
_LONGEST_RUN = 500  # entries asked for at once
_MOST_DOUBLINGS = 6  # of the time between questions that nobody answers

#: For what another worker holds, in a transaction.
PATIENCE = "SET LOCAL lock_timeout = '200ms'"
_USUAL = Bounds()

_THIS = "site = %s AND bench = %s AND journal = %s"


def take_words(
    database: Database, words: list[Heard], tell: Tell, bounds: Bounds = _USUAL
) -> tuple[bool, list[Heard]]:
    """Write down what benches said.

    Give whether that leaves something to be done soon, and what could not be written down because
    another worker, which may hang, holds the place: it is for the next time, and entries do not
    wait for it.

    Raises:
        HistorianError: the database is away.
    """
    soon = False
    left: list[Heard] = []
    # Of the states that have waited for us, each bench's last one is what holds.
    newest = {(site, bench): word for site, bench, word in words if isinstance(word, StateWord)}
    for site, bench, word in words:
        if isinstance(word, StateWord) and word is not newest[site, bench]:
            continue
        if left:
            left.append((site, bench, word))
            continue
        try:
            with database.connection.transaction(), database.connection.cursor() as cursor:
                cursor.execute(PATIENCE)
                soon |= _take(cursor, (site, bench), word, tell, bounds)
        except errors.LockNotAvailable:
            left.append((site, bench, word))
        except (errors.DataError, errors.IntegrityError) as error:
            # It would come again for ever, and with it all that it came with.
            tell("historian.not_understood", site=site, bench=bench, reason=line_of(error))
        except psycopg.Error as error:
            raise HistorianError(f"database: {line_of(error)}") from error
    return soon, left


def _take(cursor: psycopg.Cursor, bench: Bench, word: Word, tell: Tell, bounds: Bounds) -> bool:
    if isinstance(word, StateWord):
        return take_state(cursor, bench, word, bounds, tell)
    # Whoever looks for gaps writes to the same rows in another order.
    cursor.execute("SELECT pg_advisory_xact_lock(%s)", (LOOK_LOCK,))
    if isinstance(word, ListWord):
        return _take_list(cursor, bench, word, tell, bounds)
    return _take_done(cursor, bench, word)


def _take_list(
    cursor: psycopg.Cursor, bench: Bench, word: ListWord, tell: Tell, bounds: Bounds
) -> bool:
    """Compare a list with what is here; True where there is more to do."""
    key = (*bench, word.journal)
    cursor.execute(
        f"SELECT compared, compared_hash, first_head, counted FROM {SCHEMA}.journals "
        f"WHERE {_THIS} AND request::text = %s FOR UPDATE",
        (*key, word.request),
    )
    row = cursor.fetchone()
    if row is None or row[0] != word.after:
        return False  # an answer to somebody else, or to a question that was put anew
    compared, known_hash, first_head, counted = row
    answered = "request = NULL, asked_at = NULL, tries = 0"
    cut = word.begins_after > compared
    if not cut and compared and known_hash is not None and word.after_hash != known_hash:
        # Its numbers stand for other entries now, as after a backup was put back there.
        cursor.execute(
            f"UPDATE {SCHEMA}.journals SET compared = 0, compared_hash = NULL, counted = false, "
            f"put_back = put_back + 1, recheck = true, first_head = head, {answered} WHERE {_THIS}",
            key,
        )
        tell("historian.journal_changed", site=bench[0], bench=bench[1], entry=compared)
        return True
    if cut:
        # Of what was compared before a journal was put back, nothing is known any more, either.
        cursor.execute(
            f"UPDATE {SCHEMA}.journals SET cut_first = coalesce(cut_first, %s), cut_last = %s "
            f"WHERE {_THIS}",
            (compared + 1, word.begins_after, *key),
        )
        first, last = compared + 1, word.begins_after
        tell("historian.cut_off", site=bench[0], bench=bench[1], first=first, last=last)
    _keep_missing(cursor, bench, word, first_head or 0)
    told_of_all = word.sequences is not None
    sequences = told_of(cursor, bench, word.sequences, bounds, tell) if word.sequences else {}
    for instrument, (begins, told) in sequences.items():
        cursor.execute(
            f"INSERT INTO {SCHEMA}.instruments AS i (site, bench, instrument, begins, told) "
            "VALUES (%s, %s, %s, %s, %s) ON CONFLICT (site, bench, instrument) DO UPDATE "
            "SET begins = excluded.begins, told = excluded.told "
            "WHERE (i.begins, i.told) IS DISTINCT FROM (excluded.begins, excluded.told)",
            (*bench, instrument, begins, told),
        )
    reached = max(word.reached, compared)
    hashed = word.reached_hash if reached == word.reached else known_hash
    cursor.execute(
        f"UPDATE {SCHEMA}.journals SET compared = %s, compared_hash = %s, compared_at = now(), "
        f"counted = %s, head = greatest(head, %s), {answered} WHERE {_THIS}",
        (reached, hashed, told_of_all, reached, *key),
    )
    return bool(word.entries) or not told_of_all or not counted


def _keep_missing(cursor: psycopg.Cursor, bench: Bench, word: ListWord, first_head: int) -> None:
    """Keep what of a list is not here. Of what is newer than our first look, some is on its way."""
    here: set[UUID] = set()
    for kind, table in _TABLES.items():
        wanted = [id_ for _, each, id_ in word.entries if each == kind]
        if wanted:
            cursor.execute(f"SELECT id FROM {SCHEMA}.{table} WHERE id = ANY(%s)", (wanted,))
            here.update(id_ for (id_,) in cursor.fetchall())
    follows = False
    rows = []
    for n, kind, id_ in word.entries:
        if id_ not in here:
            rows.append((*bench, id_, word.journal, n, kind, follows, n <= first_head))
        follows = id_ not in here
    if rows:
        cursor.executemany(
            f"INSERT INTO {SCHEMA}.missing "
            "(site, bench, id, journal, n, kind, follows, due_at) VALUES "
            "(%s, %s, %s, %s, %s, %s, %s, "
            "CASE WHEN %s THEN '-infinity'::timestamptz ELSE now() END) "
            "ON CONFLICT (site, bench, id) DO UPDATE "
            "SET n = excluded.n, journal = excluded.journal, follows = excluded.follows",
            rows,
        )


def _take_done(cursor: psycopg.Cursor, bench: Bench, word: DoneWord) -> bool:
    """Go on where a bench has sent what was asked for; what it has not is asked for in time."""
    if not word.sent:
        return False
    if word.instrument is not None:
        cursor.execute(
            f"UPDATE {SCHEMA}.gaps SET asked_at = NULL, found_at = '-infinity' WHERE site = %s "
            "AND bench = %s AND instrument = %s AND first <= %s AND last >= %s AND state = 'open'",
            # A look may have come in between: then what is left begins behind what was sent.
            (*bench, word.instrument, word.last + 1, word.first),
        )
        has_sent(cursor, bench, word.instrument, word.first, word.last)
    return True


def ask_for_lists(
    database: Database,
    settings: Gaps,
    budget: Budget,
    ask: Callable[..., None],
    bounds: Bounds,
    tell: Tell,
) -> None:
    """Look for what was missing, ask for what still is, and for the next page of each list.

    Raises:
        HistorianError: the database is away.
    """
    _drop_what_came(database)
    _ask_for_missing(database, settings, budget, ask)
    _refuse_lists(database, bounds, tell)
    due = database.fetch(
        f"SELECT site, bench, journal, compared FROM {SCHEMA}.journals j "
        "WHERE is_current AND state = 'online' AND (head <> compared OR NOT counted) "
        "AND (asked_at IS NULL "
        # A moment that is still to come is one of a clock that was wrong: it is waited for no more.
        "OR asked_at <= now() - make_interval(secs => %s * 2 ^ least(tries - 1, %s)) "
        "OR asked_at > now()) "
        f"AND (SELECT count(*) FROM {SCHEMA}.missing m "
        "WHERE m.state = 'open' AND m.site = j.site AND m.bench = j.bench "
        # Of a journal that is not there any more nothing is asked for, and nothing is waited for.
        "AND m.journal = j.journal) < %s "
        f"AND NOT EXISTS (SELECT FROM {SCHEMA}.refusals r WHERE r.site = j.site "
        "AND r.bench = j.bench AND r.what = 'lists') "
        "ORDER BY asked_at NULLS FIRST, site, bench",
        (settings.wait_s, _MOST_DOUBLINGS, _MOST_MISSING),
    )
    for site, bench, journal, compared in due:
        if not budget.list_of(site, bench):
            continue
        request = uuid4()
        ask(site, bench, {"id": str(request), "list_after": compared})
        database.connection.execute(
            f"UPDATE {SCHEMA}.journals SET request = %s, asked_at = now(), tries = tries + 1 "
            f"WHERE {_THIS}",
            (request, site, bench, journal),
        )


def _refuse_lists(database: Database, bounds: Bounds, tell: Tell) -> None:
    """Ask no bench for a further list that lacks too much: what it lists and never sends stays."""
    lack = database.fetch(
        f"SELECT site, bench FROM {SCHEMA}.missing WHERE state <> 'settled' "
        "GROUP BY 1, 2 HAVING count(*) >= %s ORDER BY 1, 2",
        (bounds.missing,),
    )
    known = set(database.fetch(f"SELECT site, bench FROM {SCHEMA}.refusals WHERE what = 'lists'"))
    with database.connection.transaction(), database.connection.cursor() as cursor:
        for bench in sorted(known.symmetric_difference(lack)):
            if bench in known:
                no_more(cursor, bench, "lists")
            else:
                refuse(cursor, bench, "lists", tell)


def _drop_what_came(database: Database) -> None:
    """Take what has come off the table of missing entries; given-up ones are seen by the view."""
    looked_for = database.fetch(
        f"SELECT kind, id FROM {SCHEMA}.missing WHERE state = 'open' "
        "ORDER BY due_at DESC, site, bench, n LIMIT %s",
        (_LOOKED_FOR,),
    )
    _drop_of(database, looked_for)


def _drop_of(database: Database, looked_for: list[tuple[str, UUID]]) -> set[UUID]:
    """Take what has come of these off the table; give their ids."""
    dropped: set[UUID] = set()
    for kind, table in _TABLES.items():
        wanted = [id_ for each, id_ in looked_for if each == kind]
        if not wanted:
            continue
        came = database.fetch(f"SELECT id FROM {SCHEMA}.{table} WHERE id = ANY(%s)", (wanted,))
        if came:
            database.connection.execute(
                f"DELETE FROM {SCHEMA}.missing WHERE id = ANY(%s)", ([id_ for (id_,) in came],)
            )
            dropped.update(id_ for (id_,) in came)
    return dropped


def _ask_for_missing(
    database: Database, settings: Gaps, budget: Budget, ask: Callable[..., None]
) -> None:
    due = database.fetch(
        "SELECT site, bench, n, id, follows, tries, kind FROM ("
        "SELECT m.*, row_number() OVER (PARTITION BY m.site, m.bench ORDER BY m.n) AS place "
        f"FROM {SCHEMA}.missing m "
        # A bench that is offline cannot answer, and nothing is given up for that.
        f"JOIN {SCHEMA}.journals j USING (site, bench, journal) "
        "WHERE m.state = 'open' AND j.is_current AND j.state = 'online' "
        "AND (m.due_at <= now() - make_interval(secs => %s) OR m.due_at > now())) AS due "
        # By the place at each bench: one that lacks much, or says so, keeps none of the others up.
        "ORDER BY place, site, bench LIMIT %s",
        (settings.wait_s, _LOOKED_FOR),
    )
    # Not all of it was looked for a moment ago.
    came = _drop_of(database, [(each[6], each[3]) for each in due])
    due = sorted((each for each in due if each[3] not in came), key=lambda each: each[:3])
    for run in _runs(due):
        site, bench, first, *_ = run[0]
        given_up = [each[3] for each in run if each[5] >= settings.tries]
        if given_up:
            database.connection.execute(
                f"UPDATE {SCHEMA}.missing SET state = 'given-up' WHERE site = %s AND bench = %s "
                "AND id = ANY(%s)",
                (site, bench, given_up),
            )
        wanted = [each for each in run if each[5] < settings.tries]
        if not wanted or not budget.entries_of(site, bench):
            continue
        first, last = wanted[0][2], wanted[-1][2]
        ask(site, bench, {"id": str(uuid4()), "first_entry": first, "last_entry": last})
        database.connection.execute(
            f"UPDATE {SCHEMA}.missing SET due_at = now(), tries = tries + 1 "
            "WHERE site = %s AND bench = %s AND id = ANY(%s)",
            (site, bench, [each[3] for each in wanted]),
        )


def _runs(due: list[tuple[Any, ...]]) -> list[list[tuple[Any, ...]]]:
    """Part missing entries into runs that follow each other in the list: one request each."""
    runs: list[list[tuple[Any, ...]]] = []
    for each in due:
        last = runs[-1] if runs else []
        if last and each[4] and last[-1][:2] == each[:2] and len(last) < _LONGEST_RUN:
            last.append(each)
        else:
            runs.append([each])
    return runs
