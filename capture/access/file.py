"""The file of operators and sessions: SQLite beside the journal, for its owner alone.

It is no part of the journal, because a journal is copied, sent and kept for years; hashes of PINs
are not.
"""

import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from capture.errors import AccessError

_APPLICATION_ID = 0x42544C41  # "BTLA"
_VERSION = 1
_BUSY_S = 5.0
_OWN = 0o600

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

        Raises:
            AccessError: it cannot be opened, or belongs to another program.
        """
        self.path = path
        self._reading, self._writing = threading.Lock(), threading.Lock()
        with self._translated():
            _make_private(path)
            self._reads = self._connect()
            self._writes = self._connect()

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
        application = connection.execute("PRAGMA application_id").fetchone()[0]
        if application != _APPLICATION_ID:
            if connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]:
                raise AccessError(f"{self.path}: a file of another program; move it aside")
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("BEGIN IMMEDIATE")
            if not connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]:
                for statement in filter(str.strip, _TABLES.split(";")):
                    connection.execute(statement)
                connection.execute(f"PRAGMA user_version = {_VERSION}")
                connection.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
            connection.execute("COMMIT")
        if connection.execute("PRAGMA user_version").fetchone()[0] != _VERSION:
            raise AccessError(f"{self.path}: written by a newer Benchtally; update this one")
        connection.execute("PRAGMA synchronous = FULL")  # a log-out outlives a power cut
        connection.execute("PRAGMA secure_delete = ON")

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            raise AccessError(
                f"{self.path}: {error}; check that it is on a local disk, and whose it is"
            ) from error


def _make_private(path: Path) -> None:
    """Make the file before SQLite does, which gives its side files the permissions of this one."""
    with suppress(FileExistsError):
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, _OWN))
    if os.name == "posix" and path.stat().st_mode & 0o777 != _OWN:
        for each in (path, *(path.with_name(path.name + end) for end in ("-wal", "-shm"))):
            with suppress(FileNotFoundError):
                each.chmod(_OWN)
