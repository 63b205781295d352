"""Verification: the whole journal worked out anew, up to the first entry that is not as it should.

Entries are read in short pages, so the daemon may go on writing and memory does not grow with the
journal. Only the last look, at the projections, holds one state of the file, and that is short.
"""

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from capture.errors import InputError, JournalDamaged, JournalError
from capture.journal.chain import Facts, facts_of, link, read_body
from capture.journal.database import (
    BODY,
    HASH,
    ID,
    base_of,
    connect,
    journal_id,
    translated,
)
from capture.journal.replay import Replay
from capture.model.anchor import Anchor, Base

_PAGE = 2000
_MOST_RESTARTS = 3
_HASH_DIGITS = 64

#: Whether what must be bytes is: text of the same bytes has the same hash, and breaks its readers.
_BLOBS = "typeof(id) = 'blob' AND typeof(body) = 'blob' AND typeof(hash) = 'blob'"

_Row = tuple[int, bytes, str, str | None, str | None, int | None, bytes, bytes, int]


@dataclass(frozen=True, slots=True)
class Held:
    """A head that somebody else kept: the hash of the entry that was the newest then."""

    n: int
    hash: bytes

    @classmethod
    def parse(cls, text: str) -> "Held":
        """Read ``HASH@N``.

        Raises:
            InputError: it is not of this form.
        """
        digits, _, number = text.partition("@")
        try:
            held = cls(int(number), bytes.fromhex(digits))
        except ValueError:
            held = cls(-1, b"")
        if held.n < 0 or len(digits) != _HASH_DIGITS:
            raise InputError(
                f"head {text!r} is not of the form HASH@N: {_HASH_DIGITS} hexadecimal digits, @, "
                "the entry's number, as `benchtally journal info` prints it"
            )
        return held


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is not as it should be.

    Attributes:
        n: number of the entry; None where it is not about one.
        kind: chain, column, sequence, body, unreadable, head, end, beginning, projection, file.
        what: what differs, in words.
    """

    n: int | None
    kind: str
    what: str


@dataclass(frozen=True, slots=True)
class Verification:
    """What was found.

    Attributes:
        entries: entries checked.
        first, last: numbers of the first and last of them; 0 where there is none.
        head: hash of the last one, or of what the journal begins after.
        base: what stands before the first entry.
        held: heads of others that were found in the chain.
        leftover: entries before the beginning, which an interrupted trim has not yet deleted.
    """

    journal: str
    entries: int
    first: int
    last: int
    head: bytes
    base: Base
    held: int
    leftover: int
    faults: tuple[Fault, ...]

    @property
    def ok(self) -> bool:
        """Whether everything is as it should be."""
        return not self.faults


class _Trimmed(Exception):
    """Entries were cut off while they were being checked."""


class _Broken(Exception):
    def __init__(self, fault: Fault) -> None:
        super().__init__(fault.what)
        self.fault = fault


def verify(
    path: Path,
    held: Sequence[Held] = (),
    *,
    deep: bool = False,
    progress: Callable[[int], None] = lambda _: None,
) -> Verification:
    """Check the journal: chain, columns, sequences, projections, and heads kept by others.

    With ``deep``, SQLite checks its own structures and indexes as well. ``progress`` is told now
    and then how many entries are done.

    Raises:
        JournalError: there is no journal, or it cannot be opened at all.
    """
    connection = connect(path, read_only=True)
    try:
        for _ in range(_MOST_RESTARTS):
            try:
                return _Walk(connection, path, held, progress).run(deep=deep)
            except _Trimmed:
                continue
    finally:
        connection.close()
    raise JournalError(f"{path}: is being trimmed; verify it when that is done")


class _Walk:
    """One walk over a journal."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        path: Path,
        held: Sequence[Held],
        progress: Callable[[int], None],
    ) -> None:
        self._connection = connection
        self._path = path
        self._progress = progress
        self._held: dict[int, set[bytes]] = {}
        for each in held:
            self._held.setdefault(each.n, set()).add(each.hash)
        self._held_found = 0
        with translated(path):
            self._base = base_of(connection)
            self._replay = Replay(connection, self._base)
        self._n = self._base.n
        self._head = bytes.fromhex(self._base.hash)
        self._first = self._entries = 0
        self._anchor: Anchor | None = None
        self._faults: list[Fault] = []

    def run(self, *, deep: bool) -> Verification:
        """Walk to the end or to the first broken entry."""
        leftover = 0
        try:
            leftover = self._leftover()
            self._look_at_head(self._n)
            while self._page():
                self._progress(self._entries)
            self._finish()
            if deep:
                self._look_at_the_file()
        except _Broken as broken:
            self._faults.append(broken.fault)
        except JournalDamaged as error:
            self._faults.append(
                Fault(None, "unreadable", f"after entry {self._n} SQLite cannot go on: {error}")
            )
        journal = self._journal()
        return Verification(
            journal=journal,
            entries=self._entries,
            first=self._first,
            last=self._n if self._entries else 0,
            head=self._head,
            base=self._base,
            held=self._held_found,
            leftover=leftover,
            faults=tuple(self._faults),
        )

    def _journal(self) -> str:
        try:
            with translated(self._path):
                return journal_id(self._connection)
        except JournalDamaged as error:
            self._faults.append(Fault(None, "beginning", error.found))
            return ""

    def _leftover(self) -> int:
        with translated(self._path):
            row = self._connection.execute(
                "SELECT count(*) FROM entries WHERE n <= ?", (self._base.n,)
            ).fetchone()
        return int(row[0])

    def _page(self) -> bool:
        """Check one page; False where it was the last."""
        rows = self._read()
        for row in rows:
            try:
                self._entry(*row)
            except _Broken:
                with translated(self._path):
                    if base_of(self._connection) != self._base:
                        raise _Trimmed from None
                raise
        with translated(self._path):
            # Only temporary tables are touched, so this locks nothing of the journal.
            inside = self._connection.in_transaction
            if not inside:
                self._connection.execute("BEGIN")
            self._replay.flush()
            if not inside:
                self._connection.execute("COMMIT")
        return bool(rows)

    def _read(self) -> list[_Row]:
        """Read a page; a shorter one where not all of it can be read."""
        limit = _PAGE
        while True:
            try:
                with translated(self._path):
                    return self._connection.execute(
                        f"SELECT n, {ID}, kind, instrument, subject, sequence, {BODY}, {HASH}, "  # noqa: S608 - fixed words only
                        f"{_BLOBS} FROM entries WHERE n > ? ORDER BY n LIMIT ?",
                        (self._n, limit),
                    ).fetchall()
            except JournalDamaged:
                if limit == 1:
                    raise
                limit //= 2

    def _entry(
        self,
        n: int,
        id_: bytes,
        kind: str,
        instrument: str | None,
        subject: str | None,
        sequence: int | None,
        body: bytes,
        stored: bytes,
        blobs: int,
    ) -> None:
        if n <= self._n:
            # No hash covers the number; a broken page may give it to two.
            raise _Broken(Fault(n, "column", f"its number does not come after {self._n}"))
        before, self._head = self._head, link(self._head, body)
        if self._head != stored:
            self._head = before
            raise _Broken(Fault(n, "chain", self._why_broken(n)))
        if not blobs:
            raise _Broken(Fault(n, "column", "its id, body or hash is not stored as bytes"))
        try:
            content = read_body(body)
            facts = facts_of(content)
            _compare(n, facts, Facts(id_, kind, instrument, subject, sequence))
            if facts.instrument is not None and facts.sequence is not None:
                self._check_sequence(n, facts.instrument, facts.sequence)
            self._replay.take(n, facts, content)
            if facts.kind == "anchor":
                self._anchor = Anchor.model_validate(content)
        except ValueError as error:
            raise _Broken(Fault(n, "body", f"its content is {error}")) from error
        self._entries += 1
        self._first = self._first or n
        self._n = n
        self._look_at_head(n)

    def _why_broken(self, n: int) -> str:
        if n != self._n + 1:
            gone = f"entry {self._n + 1}" if n == self._n + 2 else f"entries {self._n + 1}–{n - 1}"
            return f"its hash does not follow from entry {self._n}: {gone} are missing"
        return (
            f"its hash does not follow from entry {self._n} and its own content: one of the two "
            "was changed"
        )

    def _check_sequence(self, n: int, instrument: str, sequence: int) -> None:
        expected = self._replay.sequences.get(instrument, 0) + 1
        if sequence != expected:
            raise _Broken(
                Fault(
                    n,
                    "sequence",
                    f"reading {sequence} of {instrument} stands where {expected} should be",
                )
            )

    def _look_at_head(self, n: int) -> None:
        for wanted in self._held.pop(n, ()):
            if wanted != self._head:
                raise _Broken(
                    Fault(
                        n,
                        "head",
                        f"the hash kept elsewhere is {wanted.hex()}, here it is "
                        f"{self._head.hex()}: this is not the chain that was there then",
                    )
                )
            self._held_found += 1

    def _finish(self) -> None:
        """Check the end, the beginning and the projections, on one state of the file."""
        with translated(self._path):
            self._connection.execute("BEGIN")
        try:
            while self._page():
                pass
            with translated(self._path):
                if base_of(self._connection) != self._base:
                    raise _Trimmed
                self._replay.finish()
                differing = self._replay.differences()
                row = self._connection.execute(
                    "SELECT seq FROM sqlite_sequence WHERE name = 'entries'"
                ).fetchone()
        finally:
            with translated(self._path):
                self._connection.execute("COMMIT")
        given = 0 if row is None else int(row[0])
        if given > max(self._n, self._base.n):
            self._faults.append(
                Fault(None, "end", f"entry {given} was written, but the last is {self._n}")
            )
        if given < self._n and self._entries:
            self._faults.append(
                Fault(None, "end", f"the last entry is {self._n}, but {given} was the last number")
            )
        self._check_beginning()
        self._faults += [
            Fault(n, "head", _not_there(n, self._base, self._n)) for n in sorted(self._held)
        ]
        self._faults += [
            Fault(
                None,
                "projection",
                f"{name} differs from replay in {count} rows; use `benchtally journal rebuild`",
            )
            for name, count in differing.items()
        ]

    def _check_beginning(self) -> None:
        base, anchor = self._base, self._anchor
        if anchor is not None and anchor.base.n == base.n:
            if anchor.base != base:
                self._faults.append(
                    Fault(None, "beginning", "what the anchor entry says of it was changed")
                )
        elif base != Base() and not self._held_found:
            # A part that was exported before a cut, or entries cut off by nobody knows whom.
            self._faults.append(
                Fault(
                    None,
                    "beginning",
                    f"it begins after entry {base.n} and no anchor entry vouches for that; if this "
                    f"is a part that was cut off, give --head with the hash of entry {base.n}",
                )
            )

    def _look_at_the_file(self) -> None:
        with translated(self._path):
            said = self._connection.execute("PRAGMA integrity_check(3)").fetchall()
        self._faults += [Fault(None, "file", str(row[0])) for row in said if row[0] != "ok"]


def _compare(n: int, from_body: Facts, stored: Facts) -> None:
    if from_body == stored:
        return
    for name in ("id", "kind", "instrument", "subject", "sequence"):
        told, found = getattr(from_body, name), getattr(stored, name)
        if told != found:
            if name == "id":
                told, found = told.hex(), bytes(found).hex()
            raise _Broken(
                Fault(n, "column", f"column {name} is {found!r}, but its content says {told!r}")
            )


def _not_there(n: int, base: Base, last: int) -> str:
    if n > last:
        return f"the journal ends at entry {last}: what came after it, up to {n} at least, is gone"
    if n < base.n:
        return "was cut off by a trim; look for it in the file that was exported then"
    return "there is no such entry"
