"""Dead letters of one publisher: entries that the broker refused for good, in a file of their own.

An entry is put here, synced, before the cursor passes it, with everything that publishing it again
needs; so the list holds even what the journal has let go of since. A person sees the list and has
letters tried again, or gives them up with a reason; the publisher takes note within half a second.
"""

import sqlite3
import uuid
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import structlog

from capture.errors import PublishError
from capture.journal import Row
from capture.model.fields import rfc3339
from capture.new_file import EMPTY, is_new, made_whole

_APPLICATION_ID = 0x42544C4C  # "BTLL"
_BUSY_MS = 5000
_TABLES = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE letters (
    n          INTEGER PRIMARY KEY,
    id         BLOB NOT NULL UNIQUE,
    kind       TEXT NOT NULL,
    instrument TEXT NOT NULL,
    subject    TEXT NOT NULL,
    body       BLOB NOT NULL,
    code       INTEGER NOT NULL,
    reason     TEXT NOT NULL,
    attempts   INTEGER NOT NULL,
    first      TEXT NOT NULL,
    last       TEXT NOT NULL,
    state      TEXT NOT NULL CHECK (state IN ('held', 'due', 'dropped'))
) STRICT;
CREATE INDEX letters_by_state ON letters (state, n);
"""
_COLUMNS = "n, id, kind, instrument, subject, body, code, reason, attempts, first, last, state"


@dataclass(frozen=True, slots=True)
class Letter:
    """One dead letter.

    Attributes:
        row: the entry.
        code, reason: why it was refused last, or why it was given up.
        attempts: how often it was refused.
        first, last: when it was refused first and last (or given up), RFC 3339.
        state: ``held``, ``due`` for another attempt, or ``dropped`` by a person.
    """

    row: Row
    code: int
    reason: str
    attempts: int
    first: str
    last: str
    state: str


class DamagedError(PublishError):
    """The list is no list, or its content cannot be read any more."""


class Letters:
    """The list. Several processes may have it open; each object is used by one thread."""

    def __init__(self, path: Path) -> None:
        """Open the list, making it where there is none, and look it over whole.

        What is on it is nowhere else: of a damaged list some letters would be missing in silence.

        Raises:
            DamagedError: it is there and cannot be read.
            PublishError: it cannot be opened.
        """
        self._path = path
        with self._translated():
            if is_new(path):
                _make(path)
            elif path.stat().st_size <= EMPTY:
                raise DamagedError(f"{path}: is empty: the dead letters on it are gone")
            self._connection = sqlite3.connect(
                path, isolation_level=None, timeout=_BUSY_MS / 1000, check_same_thread=False
            )
            try:
                self._prepare()
            except BaseException:
                self._connection.close()
                raise

    def close(self) -> None:
        """Close the file."""
        with self._translated():
            self._connection.close()

    # ── the publisher's side ─────────────────────────────────────────────────────────────────

    def belongs_to(self, journal_id: str) -> bool:
        """Tell whether the list is of this journal; a list of no journal becomes one of this."""
        with self._translated():
            self._connection.execute(
                "INSERT OR IGNORE INTO meta VALUES ('journal', ?)", (journal_id,)
            )
            row = self._connection.execute("SELECT value FROM meta WHERE key = 'journal'")
            return bool(row.fetchone()[0] == journal_id)

    def hold(self, row: Row, code: int, reason: str, moment: datetime) -> None:
        """Put an entry on the list, or count another refusal of one that is there."""
        at = rfc3339(moment)
        with self._translated():
            self._connection.execute(
                f"INSERT INTO letters ({_COLUMNS}) VALUES (?,?,?,?,?,?,?,?,1,?,?,'held') "  # noqa: S608 - fixed words only
                "ON CONFLICT (n) DO UPDATE SET code = excluded.code, reason = excluded.reason, "
                "attempts = attempts + 1, last = excluded.last, "
                "state = CASE state WHEN 'dropped' THEN 'dropped' ELSE 'held' END",
                (
                    row.n,
                    row.key,
                    row.kind,
                    row.instrument,
                    row.subject,
                    row.body,
                    code,
                    reason,
                    at,
                    at,
                ),
            )

    def delivered(self, n: int) -> None:
        """Take an entry off the list: the broker has it."""
        with self._translated():
            self._connection.execute("DELETE FROM letters WHERE n = ?", (n,))

    def due(self, after: int) -> Letter | None:
        """Give the next letter after number ``after`` that a person wants tried again."""
        found = self._find("state = 'due' AND n > ?", after, limit=1)
        return found[0] if found else None

    def count(self) -> int:
        """Count the letters that are not delivered and not given up."""
        with self._translated():
            row = self._connection.execute("SELECT count(*) FROM letters WHERE state <> 'dropped'")
            return int(row.fetchone()[0])

    def data_version(self) -> int:
        """Give a number that changes when another process has changed the list."""
        with self._translated():
            return int(self._connection.execute("PRAGMA data_version").fetchone()[0])

    # ── a person's side ──────────────────────────────────────────────────────────────────────

    def all(self, *, dropped: bool = False) -> list[Letter]:
        """Give all letters in order; with ``dropped`` also those that were given up."""
        return self._find("? OR state <> 'dropped'", dropped)

    def find(self, id_: uuid.UUID) -> Letter | None:
        """Give the letter of this entry, if there is one."""
        found = self._find("id = ?", id_.bytes)
        return found[0] if found else None

    def retry(self, ids: list[uuid.UUID] | None = None) -> int:
        """Have letters tried again, all that are held if no ids are given; count them."""
        if ids is None:
            return self._change("UPDATE letters SET state = 'due' WHERE state = 'held'", [()])
        return self._change(
            "UPDATE letters SET state = 'due' WHERE id = ? AND state <> 'due'",
            [(id_.bytes,) for id_ in ids],
        )

    def drop(self, id_: uuid.UUID, reason: str, moment: datetime) -> int:
        """Give a letter up; it stays on the list as dropped, with the reason. Count them."""
        return self._change(
            "UPDATE letters SET state = 'dropped', reason = ?, last = ? "
            "WHERE id = ? AND state <> 'dropped'",
            [(reason, rfc3339(moment), id_.bytes)],
        )

    # ── SQLite ───────────────────────────────────────────────────────────────────────────────

    def _change(self, statement: str, arguments: list[tuple[object, ...]]) -> int:
        with self._translated():
            return self._connection.executemany(statement, arguments).rowcount

    def _find(self, condition: str, argument: object, limit: int = -1) -> list[Letter]:
        with self._translated():
            rows = self._connection.execute(
                f"SELECT {_COLUMNS} FROM letters WHERE {condition} ORDER BY n LIMIT ?",  # noqa: S608 - fixed words only
                (argument, limit),
            ).fetchall()
        return [_letter(row) for row in rows]

    def _prepare(self) -> None:
        connection = self._connection
        connection.execute("PRAGMA synchronous = FULL")
        if connection.execute("PRAGMA application_id").fetchone()[0] != _APPLICATION_ID:
            raise DamagedError(f"{self._path}: no list of dead letters")
        (said,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
        if said != "ok":
            raise DamagedError(f"{self._path}: {' '.join(said.split())}")

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except UnicodeDecodeError as error:
            # Of a broken table SQLite may speak in bytes that are no text.
            raise DamagedError(f"{self._path}: malformed ({error.reason})") from error
        except sqlite3.Error as error:
            code = getattr(error, "sqlite_errorname", "") or ""
            damaged = code.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT", "SQLITE_CONSTRAINT"))
            kind = DamagedError if damaged else PublishError
            raise kind(f"{self._path}: {' '.join(str(error).split())}") from error
        except OSError as error:
            raise PublishError(f"{self._path}: {error.strerror}") from error


def open_letters(path: Path, journal_id: str) -> tuple[Letters, bool]:
    """Open the publisher's list; one that is damaged or of another journal is set aside.

    Gives the list, and whether what was in it may be unknown now: then everything has to be
    delivered again, because what was refused is not at the broker and no longer on the list.

    Raises:
        PublishError: neither can the list be opened, nor can it be set aside.
    """
    try:
        letters = Letters(path)
        if letters.belongs_to(journal_id):
            return letters, False
        letters.close()
        reason = "of another journal"
    except DamagedError as error:
        reason = str(error)
    aside = _set_aside(path, reason)
    structlog.get_logger().error("outbox.set_aside", path=str(aside), reason=reason)
    letters = Letters(path)
    letters.belongs_to(journal_id)
    return letters, True


def _make(path: Path) -> None:
    """Make an empty list, which gets its name when it is whole."""
    with made_whole(path) as made, closing(sqlite3.connect(made, isolation_level=None)) as new:
        new.execute("PRAGMA synchronous = FULL")
        new.execute("BEGIN IMMEDIATE")
        for statement in filter(str.strip, _TABLES.split(";")):
            new.execute(statement)
        new.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
        new.execute("COMMIT")


def _set_aside(path: Path, reason: str) -> Path:
    number = 1
    while (aside := path.with_name(f"{path.name}.aside-{number}")).exists():
        number += 1
    # What SQLite left beside a file belongs to that file, and would be played into a new one.
    beside = path.with_name(path.name + "-journal")
    try:
        path.rename(aside)
        if beside.exists():
            beside.rename(aside.with_name(aside.name + "-journal"))
    except OSError as error:
        raise PublishError(f"{reason}; and it cannot be set aside: {error.strerror}") from error
    return aside


def _letter(row: tuple[object, ...]) -> Letter:
    n, id_, kind, instrument, subject, body, *rest = row
    entry = Row(n, id_, kind, instrument, subject, body)  # type: ignore[arg-type] # STRICT tables keep their types
    return Letter(entry, *rest)  # type: ignore[arg-type] # same
