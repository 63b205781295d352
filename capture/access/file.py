"""The file of operators and sessions: SQLite beside the journal, for its owner alone.

It is no part of the journal, because a journal is copied, sent and kept for years; hashes of PINs
are not.
"""

import hashlib
import json
import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from capture.errors import AccessError
from capture.new_file import EMPTY, is_new, made_whole

_APPLICATION_ID = 0x42544C41  # "BTLA"
_VERSION = 2
_BUSY_S = 5.0
_OWN = 0o600
_WHAT_TO_DO = (
    "end the daemon, move the file aside with what lies beside it (-wal, -shm), and register the "
    "operators again (`benchtally operator add`)"
)
_WHOSE = "check that it is on a local disk, and whose it is"

#: SQLite finds nothing wrong with a whole page that was written to another's place. One without
#: rows in that of the operators, and nobody would be registered: so what they come to is kept, too.
_SUMS = """
    CREATE TABLE sums (name TEXT PRIMARY KEY, sha256 BLOB NOT NULL) STRICT, WITHOUT ROWID
"""
_TABLES = """
    CREATE TABLE operators (
        key     TEXT PRIMARY KEY,
        name    TEXT NOT NULL,
        role    TEXT NOT NULL,
        secret  TEXT NOT NULL,
        added   REAL NOT NULL,
        changed REAL NOT NULL
    ) STRICT, WITHOUT ROWID;
    -- Of a token only its hash is here: who reads this file cannot use it as a session.
    CREATE TABLE sessions (
        token   BLOB PRIMARY KEY,
        key     TEXT NOT NULL,
        name    TEXT NOT NULL,
        proven  INTEGER NOT NULL,
        address TEXT NOT NULL,
        started REAL NOT NULL,
        seen    REAL NOT NULL
    ) STRICT, WITHOUT ROWID;
"""


class AccessFile:
    """One file, used by many threads and by the command line at the same time.

    Reading never waits for writing, so a look at a session may be taken between two requests.
    """

    def __init__(self, path: Path) -> None:
        """Open the file, making it if there is none.

        It is looked over whole, which is quick, because it is small: of what is damaged, the part
        that says who is registered may be gone, and whoever comes would get in.

        Raises:
            AccessError: it cannot be opened, is damaged, or belongs to another program.
        """
        self.path = path
        self._reading, self._writing = threading.Lock(), threading.Lock()
        with self._translated():
            self._refuse_cut()
            if is_new(path):
                _make(path)
            _keep_private(path)
            self._reads = self._connect()
            try:
                self._refuse_damaged()
                _bring_up_to_date(self._reads)
                self._refuse_others(self._reads)
                self._writes = self._connect()
            except BaseException:
                self._reads.close()
                raise

    def close(self) -> None:
        """Close the file."""
        with self._reading, self._writing, self._translated():
            self._reads.close()
            self._writes.close()

    @contextmanager
    def reads(self) -> Iterator[sqlite3.Connection]:
        """Give a connection to look things up with, to one thread."""
        with self._reading, self._translated():
            yield self._reads

    @contextmanager
    def writes(self) -> Iterator[sqlite3.Connection]:
        """Give a connection in a transaction, to one thread; committed at the end, or nothing."""
        with self._writing, self._translated():
            self._writes.execute("BEGIN IMMEDIATE")
            try:
                yield self._writes
            except BaseException:
                self._writes.execute("ROLLBACK")
                raise
            self._writes.execute("COMMIT")

    def refuse_lost(self) -> None:
        """Refuse operators that are not those that were written, as when none are left of them.

        Raises:
            AccessError: says so.
        """
        with self.reads() as connection:
            self._refuse_others(connection)

    def _refuse_others(self, connection: sqlite3.Connection) -> None:
        connection.execute("BEGIN")  # both as they were at one moment
        try:
            held = connection.execute("SELECT sha256 FROM sums WHERE name = 'operators'").fetchone()
            found = _sum_of_operators(connection)
        finally:
            connection.execute("COMMIT")
        if held != (found,):
            raise AccessError(
                f"{self.path}: damaged (the operators are not as they were written); {_WHAT_TO_DO}"
            )

    def _refuse_cut(self) -> None:
        """Refuse a file of no bytes: it was made whole, so what was in it is gone."""
        log = self.path.with_name(self.path.name + "-wal")
        if is_new(self.path):
            cut = "is not there, but its log is" if log.exists() and log.stat().st_size else ""
        else:
            cut = "" if self.path.stat().st_size > EMPTY else "is empty"
        if cut:
            raise AccessError(f"{self.path}: {cut}: who is registered is lost; {_WHAT_TO_DO}")

    def _refuse_damaged(self) -> None:
        (said,) = self._reads.execute("PRAGMA integrity_check(1)").fetchone()
        if said != "ok":
            raise AccessError(f"{self.path}: damaged ({' '.join(said.split())}); {_WHAT_TO_DO}")

    def _connect(self) -> sqlite3.Connection:
        connection = sqlite3.connect(
            self.path, isolation_level=None, timeout=_BUSY_S, check_same_thread=False
        )
        try:
            self._prepare(connection)
        except BaseException:
            connection.close()
            raise
        return connection

    def _prepare(self, connection: sqlite3.Connection) -> None:
        if connection.execute("PRAGMA application_id").fetchone()[0] != _APPLICATION_ID:
            raise AccessError(f"{self.path}: a file of another program; move it aside")
        if connection.execute("PRAGMA user_version").fetchone()[0] not in (1, _VERSION):
            raise AccessError(f"{self.path}: written by a newer Benchtally; update this one")
        connection.execute("PRAGMA synchronous = FULL")  # a log-out outlives a power cut
        connection.execute("PRAGMA secure_delete = ON")

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            # Of a broken table SQLite may speak in bytes that are no text, or in several lines.
            code = getattr(error, "sqlite_errorname", "SQLITE_CORRUPT")
            damaged = code.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT"))
            do = _WHAT_TO_DO if damaged else _WHOSE
            raise AccessError(f"{self.path}: {' '.join(str(error).split())}; {do}") from error
        except (sqlite3.Error, OSError) as error:
            raise AccessError(f"{self.path}: {error}; {_WHOSE}") from error


def _make(path: Path) -> None:
    """Make the file, which gets its name when it is whole."""
    with made_whole(path) as made:
        # Before SQLite does: it gives its side files the permissions of the file.
        os.close(os.open(made, os.O_RDWR | os.O_CREAT | os.O_EXCL, _OWN))
        with closing(sqlite3.connect(made, isolation_level=None)) as connection:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("BEGIN IMMEDIATE")
            for statement in filter(str.strip, _TABLES.split(";")):
                connection.execute(statement)
            connection.execute(_SUMS)
            keep_sum(connection)
            connection.execute(f"PRAGMA user_version = {_VERSION}")
            connection.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
            connection.execute("COMMIT")


def _bring_up_to_date(connection: sqlite3.Connection) -> None:
    """Let a file of version 1 keep what its operators come to."""
    if connection.execute("PRAGMA user_version").fetchone()[0] == _VERSION:
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Another program may have done it meanwhile.
        if connection.execute("PRAGMA user_version").fetchone()[0] != _VERSION:
            connection.execute(_SUMS)
            keep_sum(connection)
            connection.execute(f"PRAGMA user_version = {_VERSION}")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def keep_sum(connection: sqlite3.Connection) -> None:
    """Keep what the operators come to; belongs into every transaction that changes them."""
    connection.execute(
        "INSERT OR REPLACE INTO sums VALUES ('operators', ?)", (_sum_of_operators(connection),)
    )


def _sum_of_operators(connection: sqlite3.Connection) -> bytes:
    rows = connection.execute("SELECT * FROM operators ORDER BY key").fetchall()
    return hashlib.sha256(json.dumps(rows).encode()).digest()


def _keep_private(path: Path) -> None:
    """Take from others what somebody has given them."""
    if os.name == "posix" and path.stat().st_mode & 0o777 != _OWN:
        for each in (path, *(path.with_name(path.name + end) for end in ("-wal", "-shm"))):
            with suppress(FileNotFoundError):
                each.chmod(_OWN)
