"""The journal's file: how it is opened, what is in it, and how older files are brought up to date.

``entries`` is the truth: append-only, each row the exact JSON bytes of one entry, chained by hash.
The other tables are projections that replaying the entries rebuilds.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import cache
from pathlib import Path

from pydantic import ValidationError

from capture.errors import JournalDamaged, JournalError, JournalFull
from capture.journal.beside import cut_short
from capture.journal.local_disk import refuse_network
from capture.model.anchor import Base
from capture.model.ids import new_id
from capture.new_file import is_new, made_whole

APPLICATION_ID = 0x42544C59  # "BTLY"
_BUSY_MS = 5000
# What a full disk looks like where it is not the database file that cannot grow: the log that
# cannot be written, its index in shared memory that cannot be made longer.
_NO_ROOM = frozenset({"SQLITE_IOERR_WRITE", "SQLITE_IOERR_SHMSIZE", "SQLITE_IOERR_SHMMAP"})

#: One script per version of the file, applied in order. Never edit one that has been released.
_MIGRATIONS = (
    """
    CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;

    -- n orders everything and is never used twice, not even after old entries were cut off.
    CREATE TABLE entries (
        n          INTEGER PRIMARY KEY AUTOINCREMENT,
        id         BLOB NOT NULL UNIQUE,
        kind       TEXT NOT NULL,
        instrument TEXT,
        subject    TEXT,
        sequence   INTEGER,
        body       BLOB NOT NULL,
        hash       BLOB NOT NULL
    ) STRICT;
    CREATE UNIQUE INDEX entries_by_sequence ON entries (instrument, sequence)
        WHERE sequence IS NOT NULL;

    -- Projections.
    CREATE TABLE counters (instrument TEXT PRIMARY KEY, sequence INTEGER NOT NULL)
        STRICT, WITHOUT ROWID;
    CREATE TABLE last_values (
        instrument TEXT NOT NULL,
        quantity   TEXT NOT NULL,
        n          INTEGER NOT NULL,
        PRIMARY KEY (instrument, quantity)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE current_tags (
        reading    BLOB PRIMARY KEY,
        n          INTEGER NOT NULL,
        machine    TEXT NOT NULL
    ) STRICT, WITHOUT ROWID;
    CREATE INDEX current_tags_by_machine ON current_tags (machine, n);
    CREATE TABLE records (
        instrument TEXT NOT NULL,
        record     TEXT NOT NULL,
        PRIMARY KEY (instrument, record)
    ) STRICT, WITHOUT ROWID;
    """,
    """
    CREATE INDEX entries_by_subject ON entries (kind, subject, n) WHERE kind <> 'reading'
    """,
)

VERSION = len(_MIGRATIONS)

_SCHEMA = "SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL"

#: Columns of an entry as bytes, whatever a broken page says that they are: then the chain breaks.
ID = "coalesce(CAST(id AS BLOB), x'')"
BODY = "coalesce(CAST(body AS BLOB), x'')"
HASH = "coalesce(CAST(hash AS BLOB), x'')"

#: What the index of subjects is restricted to. SQLite uses such an index only where the query says
#: the same words; `kind = ?` alone reads the whole journal.
INDEXED = "kind <> 'reading'"
#: Entries of one kind about one subject, by the index.
BY_SUBJECT = f"kind = ? AND subject = ? AND {INDEXED}"


class UnreadableError(Exception):
    """What the journal says of itself is not there, or is not what it must be."""


def refuse_disorder(path: Path, after: int, count: int, last: int) -> None:
    """Refuse a page of so many entries after a number, whose last one stands too far back.

    Numbers only grow, so there is room for all of them. A broken page may give one of them another,
    and whoever went on from there would read the same entries for ever.

    Raises:
        JournalDamaged: says so.
    """
    if count and last < after + count:
        cause = UnreadableError("entries are not in the order of their numbers")
        raise _damaged(path, cause) from cause


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn SQLite's exceptions into the journal's, each with what to do.

    Raises:
        JournalFull, JournalDamaged, JournalError: what SQLite raised within, and a name or number
            that it cannot look for.
    """
    try:
        yield
    except (OverflowError, UnicodeEncodeError) as error:
        raise JournalError(f"{path}: a name or number cannot be looked for ({error})") from error
    except (UnreadableError, UnicodeDecodeError) as error:
        # Of a broken table SQLite may speak in bytes that are no text; the module then raises this.
        raise _damaged(path, error) from error
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorname", "") or ""
        if code.startswith("SQLITE_FULL") or code in _NO_ROOM:
            raise JournalFull(f"{path}: the disk is full; make room, nothing is lost") from error
        if code.startswith("SQLITE_BUSY"):
            raise JournalError(f"{path}: locked by another program for too long") from error
        if code == "SQLITE_NOTADB" or code.startswith("SQLITE_CORRUPT"):
            raise _damaged(path, error) from error
        if code == "SQLITE_CANTOPEN":
            raise JournalError(
                f"{path}: cannot be opened; check that its folder exists and may be written to"
            ) from error
        if code.startswith("SQLITE_READONLY"):
            raise JournalError(f"{path}: may not be written to; check its permissions") from error
        raise JournalError(f"{path}: {_line(error)}") from error


def _damaged(path: Path, error: Exception) -> JournalDamaged:
    return JournalDamaged(
        f"{path}: damaged, or no journal ({_line(error)}); keep it; `benchtally run` sets it "
        "aside and begins a new one, `benchtally journal export --damaged` saves what is readable"
    )


def _line(error: Exception) -> str:
    """Write what SQLite says on one line; it may cite what it found, line ends included."""
    return " ".join(str(error).split())


def connect(path: Path, *, read_only: bool = False) -> sqlite3.Connection:
    """Open the journal's file, making or updating it unless ``read_only``.

    Raises:
        JournalError: cannot be opened, is no journal, is of a newer version, or would be written
            on a network file system.
        JournalDamaged: SQLite says so, or the file was cut to nothing.
    """
    if (cut := cut_short(path)) is not None:
        raise JournalDamaged(
            f"{path}: {cut}: what was in it is gone; `benchtally run` sets it aside and begins a "
            "new one that says so"
        )
    if read_only and not path.exists():
        raise JournalError(f"{path}: there is no journal yet; `benchtally run` and `key` make it")
    if not read_only:
        refuse_network(path)
        if is_new(path):
            _make(path)
    with translated(path):
        uri = f"{path.absolute().as_uri()}?mode={'ro' if read_only else 'rwc'}"
        connection = sqlite3.connect(
            uri, uri=True, isolation_level=None, timeout=_BUSY_MS / 1000, check_same_thread=False
        )
        try:
            connection.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
            _refuse_foreign(connection, path)
            if not read_only:
                _prepare(connection, path)
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            if version == VERSION:
                _refuse_changed(connection)
        except BaseException:
            connection.close()
            raise
    if version != VERSION:
        connection.close()
        if version > VERSION:
            raise JournalError(
                f"{path}: written by a newer Benchtally (file version {version}, this one knows "
                f"{VERSION}); update this installation"
            )
        raise JournalError(f"{path}: not a journal, or an older one; run `benchtally run` once")
    return connection


def _make(path: Path) -> None:
    """Make a journal that gets its name when it is whole."""
    try:
        with (
            made_whole(path) as made,
            translated(path),
            closing(sqlite3.connect(made, isolation_level=None)) as connection,
        ):
            _prepare(connection, path)
    except OSError as error:
        raise JournalError(
            f"{path}: cannot be made ({error.strerror}); check that its folder exists and may be "
            "written to"
        ) from error


def _refuse_foreign(connection: sqlite3.Connection, path: Path) -> None:
    """Leave a database of another program as it is."""
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
    if application != APPLICATION_ID and tables:
        raise JournalError(f"{path}: an SQLite file of another program; choose another path")


def _refuse_changed(connection: sqlite3.Connection) -> None:
    """Refuse tables and indexes that are not as they were made: a bit of their words was changed.

    SQLite finds nothing wrong with another name or type, and reads columns for what they are not.
    """
    found = dict(connection.execute(_SCHEMA).fetchall())
    if any(found.get(name) != sql for name, sql in _made().items()):
        raise UnreadableError("its tables are not as they were made")


@cache
def _made() -> dict[str, str]:
    """Give what a new journal has for tables and indexes."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        for script in _MIGRATIONS:
            for statement in filter(str.strip, script.split(";")):
                connection.execute(statement)
        return dict(connection.execute(_SCHEMA).fetchall())


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise JournalError(f"{path}: this file system cannot hold a journal; use a local disk")
    # FULL syncs the log at every commit: what append() returned for survives a power cut, if the
    # disk keeps its word. Some builds default to less, so it is set and read back.
    connection.execute("PRAGMA synchronous = FULL")
    if connection.execute("PRAGMA synchronous").fetchone()[0] != 2:  # noqa: PLR2004 - FULL
        raise JournalError(f"{path}: this SQLite does not do synchronous commits")
    connection.execute("PRAGMA fullfsync = ON")  # macOS: a plain fsync leaves data in the drive
    connection.execute("PRAGMA journal_size_limit = 67108864")
    if connection.execute("PRAGMA user_version").fetchone()[0] < VERSION:
        _migrate(connection)


def _migrate(connection: sqlite3.Connection) -> None:
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        for number, script in enumerate(_MIGRATIONS[version:], start=version + 1):
            for statement in filter(str.strip, script.split(";")):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {number}")
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute("INSERT OR IGNORE INTO meta VALUES ('journal_id', ?)", (str(new_id()),))
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def journal_id(connection: sqlite3.Connection) -> str:
    """Give the journal's own id, by which a publisher knows that its cursor belongs to it.

    Raises:
        UnreadableError: it is gone.
    """
    row = connection.execute("SELECT value FROM meta WHERE key = 'journal_id'").fetchone()
    if row is None:
        raise UnreadableError("the journal's own id is gone")
    return str(row[0])


def base_of(connection: sqlite3.Connection) -> Base:
    """Give what stands before the first entry that the journal holds.

    Raises:
        UnreadableError: what is written there cannot be read.
    """
    row = connection.execute("SELECT value FROM meta WHERE key = 'base'").fetchone()
    try:
        return Base() if row is None else Base.model_validate_json(row[0])
    except ValidationError as error:
        raise UnreadableError("what the journal begins after cannot be read") from error


def set_meta(connection: sqlite3.Connection, key: str, value: str) -> None:
    """Write a word about the whole file."""
    connection.execute(
        "INSERT INTO meta VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        (key, value),
    )
