"""Appending to the journal: one transaction a batch, all of it or nothing.

Chain head and per-instrument sequence are read and advanced inside the transaction, under
BEGIN IMMEDIATE, so several processes may append at the same time: the daemon, ``key`` and ``tag``.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

from capture.errors import JournalError
from capture.journal.chain import link
from capture.journal.database import BY_SUBJECT, HASH, base_of, connect, translated
from capture.journal.row import Row
from capture.model import Gap, ReadingDraft, Tag
from capture.model.anchor import Anchor
from capture.model.audit import AuditEntry
from capture.model.job import JobEntry
from capture.model.machine import MachineEntry
from capture.model.record import Record
from capture.model.result import ResultRecord
from capture.model.written import WrittenDraft

#: What can be appended.
Entry = (
    WrittenDraft
    | ReadingDraft
    | Tag
    | Gap
    | MachineEntry
    | JobEntry
    | ResultRecord
    | Record
    | AuditEntry
    | Anchor
)

#: Pages that the log may have before a commit moves them into the file, which takes many times as
#: long as a commit does. Whoever can, has them moved earlier, while nobody waits (`move_log`).
MOST_PAGES = 1600
_PATIENCE_MS = 20  # for readers, when the log is to be emptied

_INSERT = (
    "INSERT INTO entries (id, kind, instrument, subject, sequence, body, hash) "
    "VALUES (?, ?, ?, ?, ?, ?, ?)"
)


class Stored(NamedTuple):
    """Where an entry ended up.

    Attributes:
        n: its number in the journal; 0 where it was there already and nothing was stored.
        sequence: its number among the readings of its instrument; None for other entries.
    """

    n: int
    sequence: int | None


class StaleError(JournalError):
    """What is to be written rests on a state that is no longer the newest."""


@dataclass(frozen=True, slots=True)
class Expectation:
    """The newest entry of one subject that a writer has seen; 0 where there was none."""

    kind: str
    subject: str
    last: int


class Store:
    """Appends entries. Used by one thread at a time."""

    def __init__(self, path: Path) -> None:
        """Open the journal, making it if there is none.

        Raises:
            JournalError: see `capture.journal.database.connect`.
        """
        self.path = path
        self.lone: Row | None = None
        """What the last `append` stored, where it was given one reading and that was new.

        It stays when others append: whoever hands it on says when it has grown old.
        """
        self._connection = connect(path)
        with translated(path):
            self._connection.execute(f"PRAGMA wal_autocheckpoint = {MOST_PAGES}")

    def close(self) -> None:
        """Close the file."""
        with translated(self.path):
            self._connection.close()

    def append(
        self, batch: Sequence[Entry], *, expecting: Expectation | None = None
    ) -> list[Stored]:
        """Store ``batch`` in one transaction; when this returns, it is on the disk.

        With ``expecting``, nothing is stored unless the newest entry of that subject is the one
        that the writer has seen: two people on one job cannot overwrite each other unseen.

        An entry whose id is there already, and a reading whose instrument record is, are passed
        over: sending twice stores once.

        Raises:
            JournalError: nothing of the batch was stored.
            StaleError: the subject has moved on; nothing was stored.
        """
        connection = self._connection
        with translated(self.path):
            connection.execute("BEGIN IMMEDIATE")
            try:
                if expecting is not None:
                    _check(connection, expecting, batch)
                transaction = Transaction(connection)
                stored = transaction.append_all(batch)
                connection.execute("COMMIT")
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise
        self.lone = transaction.reading if len(batch) == 1 else None
        return stored

    def move_log(self) -> None:
        """Move what is in the log into the file, as far as no reader holds it; waits for nobody.

        Raises:
            JournalError: the file cannot be written; everything is still in the log.
        """
        with translated(self.path):
            self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()

    def empty_log(self) -> bool:
        """Move the log into the file and cut it to nothing; False where a reader holds it.

        Readers that are nearly done are waited for, but only for a moment: nobody can write
        meanwhile.

        Raises:
            JournalError: the file cannot be written.
        """
        with translated(self.path):
            usual = self._connection.execute("PRAGMA busy_timeout").fetchone()[0]
            self._connection.execute(f"PRAGMA busy_timeout = {_PATIENCE_MS}")
            try:
                held, _, _ = self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            finally:
                self._connection.execute(f"PRAGMA busy_timeout = {usual}")
        return not held

    def data_version(self) -> int:
        """Give a number that changes when another connection has committed."""
        with translated(self.path):
            return int(self._connection.execute("PRAGMA data_version").fetchone()[0])


def _check(connection: sqlite3.Connection, expecting: Expectation, batch: Sequence[Entry]) -> None:
    row = connection.execute(
        f"SELECT max(n) FROM entries WHERE {BY_SUBJECT}",  # noqa: S608 - fixed words only
        (expecting.kind, expecting.subject),
    ).fetchone()
    newest = int(row[0] or 0)
    if newest == expecting.last:
        return
    ids = [_id_of(entry) for entry in batch]
    marks = ",".join("?" * len(ids))
    known = connection.execute(
        f"SELECT count(*) FROM entries WHERE id IN ({marks})",  # noqa: S608 - question marks only
        ids,
    ).fetchone()[0]
    if known < len(ids):
        raise StaleError(
            f"{expecting.kind} {expecting.subject} has moved on since it was looked at; look again"
        )


class Transaction:
    """One batch being appended."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        row = connection.execute(
            f"SELECT {HASH} FROM entries ORDER BY n DESC LIMIT 1"  # noqa: S608 - fixed words only
        ).fetchone()
        self._head: bytes = bytes.fromhex(base_of(connection).hash) if row is None else row[0]
        self._sequences: dict[str, int] = {}
        self._last_values: dict[tuple[str, str], int] = {}
        self.reading: Row | None = None
        """The last reading that was appended by itself."""

    def append_all(self, batch: Sequence[Entry]) -> list[Stored]:
        """Append all of ``batch``; the caller commits or rolls back."""
        stored: list[Stored] = []
        for plain, entries in groupby(batch, _is_plain):
            run = list(entries)
            many = self._append_many(run) if plain and len(run) > 1 else None  # type: ignore[arg-type] # what is plain is written
            stored += many if many is not None else [self._append(entry) for entry in run]
        self._connection.executemany(
            "INSERT INTO counters VALUES (?, ?) "
            "ON CONFLICT (instrument) DO UPDATE SET sequence = excluded.sequence",
            self._sequences.items(),
        )
        self._connection.executemany(
            "INSERT INTO last_values VALUES (?, ?, ?) "
            "ON CONFLICT (instrument, quantity) DO UPDATE SET n = excluded.n",
            [(*key, n) for key, n in self._last_values.items()],
        )
        return stored

    def _append(self, entry: Entry) -> Stored:
        match entry:
            case WrittenDraft() | ReadingDraft():
                return self._append_reading(entry)
            case Tag():
                return self._append_tag(entry)
            case Gap():
                return self._append_plain(entry, "gap", entry.instrument, None)
            case MachineEntry():
                return self._append_plain(entry, "machine", None, entry.machine)
            case JobEntry():
                return self._append_plain(entry, "job", None, str(entry.job))
            case Anchor():
                return self._append_plain(entry, "anchor", None, None)
            case ResultRecord():
                job = None if entry.job is None else str(entry.job)
                return self._append_plain(entry, "result", None, job)
            case Record():
                return self._append_plain(entry, "record", None, str(entry.job))
            case AuditEntry():
                return self._append_plain(entry, "audit", None, None)

    def _append_plain(
        self,
        entry: Gap | MachineEntry | JobEntry | ResultRecord | Record | AuditEntry | Anchor,
        kind: str,
        instrument: str | None,
        subject: str | None,
    ) -> Stored:
        return Stored(
            self._insert(entry.id.bytes, kind, instrument, subject, None, _json(entry)), None
        )

    def _append_reading(self, entry: WrittenDraft | ReadingDraft) -> Stored:
        draft = WrittenDraft.of(entry) if isinstance(entry, ReadingDraft) else entry
        if self._is_known(draft):
            return Stored(0, None)
        sequence = self._sequence(draft.instrument) + 1
        body = draft.body(sequence)
        n = self._insert(draft.id, "reading", draft.instrument, draft.quantity, sequence, body)
        if not n:
            return Stored(0, None)
        self.reading = Row(n, draft.id, "reading", draft.instrument, draft.quantity, body)
        self._sequences[draft.instrument] = sequence
        self._last_values[draft.instrument, draft.quantity] = n
        if draft.machine is not None:
            self._set_tag(draft.id, n, draft.machine)
        return Stored(n, sequence)

    def _append_many(self, batch: Sequence[WrittenDraft]) -> list[Stored] | None:
        """Append plain readings in one go; None, and nothing done, where one is there already."""
        connection, head, sequences = self._connection, self._head, dict(self._sequences)
        rows = []
        for draft in batch:
            instrument = draft.instrument
            sequence = sequences.get(instrument) or self._sequence(instrument)
            sequences[instrument] = sequence = sequence + 1
            body = draft.body(sequence)
            head = link(head, body)
            rows.append((draft.id, "reading", instrument, draft.quantity, sequence, body, head))
        connection.execute("SAVEPOINT many")
        try:
            connection.executemany(_INSERT, rows)
        except sqlite3.IntegrityError as error:
            if "entries.id" not in str(error):
                raise
            connection.execute("ROLLBACK TO many")
            return None
        finally:
            if connection.in_transaction:  # a full disk may have rolled everything back
                connection.execute("RELEASE many")
        last = int(connection.execute("SELECT last_insert_rowid()").fetchone()[0])
        first = last - len(rows) + 1
        self._head, self._sequences = head, sequences
        stored = []
        for n, (draft, row) in enumerate(zip(batch, rows, strict=True), start=first):
            self._last_values[draft.instrument, draft.quantity] = n
            stored.append(Stored(n, row[4]))
        return stored

    def _append_tag(self, tag: Tag) -> Stored:
        n = self._insert(tag.id.bytes, "tag", tag.instrument, None, None, _json(tag))
        if n:
            self._set_tag(tag.reading.bytes, n, tag.machine)
        return Stored(n, None)

    def _insert(
        self,
        id_: bytes,
        kind: str,
        instrument: str | None,
        subject: str | None,
        sequence: int | None,
        body: bytes,
    ) -> int:
        head = link(self._head, body)
        try:
            cursor = self._connection.execute(
                _INSERT, (id_, kind, instrument, subject, sequence, body, head)
            )
        except sqlite3.IntegrityError as error:
            if "entries.id" in str(error):
                return 0
            raise
        self._head = head
        if cursor.lastrowid is None:
            raise JournalError("an insert gave no row number")
        return cursor.lastrowid

    def _sequence(self, instrument: str) -> int:
        known = self._sequences.get(instrument)
        if known is None:
            row = self._connection.execute(
                "SELECT sequence FROM counters WHERE instrument = ?", (instrument,)
            ).fetchone()
            known = 0 if row is None else int(row[0])
        return known

    def _is_known(self, draft: WrittenDraft) -> bool:
        """Remember a result that the instrument itself names; tell whether it was known."""
        if draft.record is None:
            return False
        cursor = self._connection.execute(
            "INSERT OR IGNORE INTO records VALUES (?, ?)", (draft.instrument, draft.record)
        )
        return cursor.rowcount == 0

    def _set_tag(self, reading: bytes, n: int, machine: str) -> None:
        self._connection.execute(
            "INSERT INTO current_tags VALUES (?, ?, ?) "
            "ON CONFLICT (reading) DO UPDATE SET n = excluded.n, machine = excluded.machine",
            (reading, n, machine),
        )


def _is_plain(entry: Entry) -> bool:
    """Tell whether an entry touches no table but that of entries, counters and last values."""
    return type(entry) is WrittenDraft and entry.record is None and entry.machine is None


def _id_of(entry: Entry) -> bytes:
    return entry.id if isinstance(entry, WrittenDraft) else entry.id.bytes


def _json(
    entry: Tag | Gap | MachineEntry | JobEntry | ResultRecord | Record | AuditEntry | Anchor,
) -> bytes:
    return entry.model_dump_json().encode()
