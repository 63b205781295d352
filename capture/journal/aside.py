"""A damaged journal set aside, whole, and a new one begun that says so.

Only SQLite's own word counts: the file is malformed, or is no database. A chain that does not hold
is another matter: the file works, and who changed it is for people to find out. Nothing is deleted,
and a file that nothing shows to have been a journal is left where it is.
"""

import contextlib
import shutil
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from uuid import UUID

from pydantic import TypeAdapter, ValidationError

from capture.errors import JournalDamaged, JournalError
from capture.journal.beside import cursors_of, cut_short, mark_of, size_of
from capture.journal.chain import read_body
from capture.journal.database import (
    APPLICATION_ID,
    BODY,
    UnreadableError,
    base_of,
    connect,
    journal_id,
    set_meta,
    translated,
)
from capture.journal.info import stamp_of
from capture.journal.store import Transaction
from capture.model import Gap, new_id
from capture.model.anchor import Anchor, Base
from capture.model.fields import Slug, as_utc

_LOOKED_AT = 200  # newest entries, which the next append builds on
_SMALL = 64 << 20  # files up to this are checked whole at a start: about 0.1 s
_HEADER = slice(68, 72)  # where SQLite keeps a file's application id; fileformat2.html, 1.3
_COUNTED = "SELECT instrument, sequence FROM counters"
_MOST = 1 << 53  # up to which every reader of JSON has whole numbers exactly; RFC 8259, section 6
_INSTRUMENT = TypeAdapter[str](Slug)
_STORED = (
    "SELECT instrument, max(sequence) FROM entries WHERE sequence IS NOT NULL GROUP BY instrument"
)


@dataclass(frozen=True, slots=True)
class SetAside:
    """A damaged journal that was set aside.

    Attributes:
        to: its new name.
        why: what SQLite said.
        previous: its id, where it could be read.
        sequences: what each instrument had come to, as far as could be read.
        since: UTC from which on entries may be missing for whoever reads what we deliver.
    """

    to: Path
    why: str
    previous: UUID | None
    sequences: dict[str, int]
    since: datetime


def damage_of(path: Path) -> str | None:
    """Say what SQLite finds damaged of a journal that is there; None where it finds nothing.

    The newest entries and the projections are read, and all pages of a small file, or of one that
    `mark_damaged` has marked.

    Raises:
        JournalError: it cannot be opened for another reason.
    """
    if (cut := cut_short(path)) is not None or not size_of(path):
        return cut
    try:
        connection = connect(path)
    except JournalDamaged as error:
        return error.found
    try:
        with translated(path):
            connection.execute(
                "SELECT body, hash FROM entries ORDER BY n DESC LIMIT ?", (_LOOKED_AT,)
            ).fetchall()
            connection.execute("SELECT * FROM counters").fetchall()
            connection.execute("SELECT * FROM last_values").fetchall()
            journal_id(connection)
            base_of(connection)
            if size_of(path) <= _SMALL or mark_of(path).exists():
                (said,) = connection.execute("PRAGMA quick_check(1)").fetchone()
                return None if said == "ok" else " ".join(str(said).split())
    except JournalDamaged as error:
        return error.found
    finally:
        connection.close()
    return None


def mark_damaged(path: Path, why: str) -> None:
    """Leave word beside the journal that it was found damaged while in use.

    The next start then looks at all of it, however large it is.
    """
    with contextlib.suppress(OSError):  # without it, that start looks at what it usually does
        mark_of(path).write_text(f"{_line(why)}\n", "utf-8")


def clear_mark(path: Path) -> bool:
    """Take that word away, once the whole file was looked at; True where there was one."""
    marked = mark_of(path).exists()
    with contextlib.suppress(OSError):
        mark_of(path).unlink(missing_ok=True)
    return marked


def set_aside(path: Path, why: str, delivered: int, now: datetime) -> SetAside:
    """Give the damaged file, with its log, another name, and read from it what can be read.

    ``delivered`` is the number of the last entry that every publisher has delivered.

    Raises:
        JournalError: nothing shows that the file was a journal, or it cannot be renamed.
    """
    if not (cut_short(path) or _was_a_journal(path)):
        raise JournalError(
            f"{path}: not a journal ({why}); it is left as it is, choose another path or move it"
        )
    to = path.with_name(f"{path.name}.corrupt-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}")
    try:
        if to.exists():
            raise JournalError(f"{to}: is there already; start again in a second")
        # The log first: a log left beside a new file would be taken for that file's own.
        for end in ("-wal", "-shm", ""):
            part = path.with_name(path.name + end)
            if part.exists():
                part.rename(to.with_name(to.name + end))
    except OSError as error:
        raise JournalError(
            f"{path}: damaged ({why}), and cannot be renamed: {error.strerror}"
        ) from error
    _copy_cursors(path, to)
    return _read(to, why, delivered)


def begin_anew(
    path: Path, aside: SetAside, *, site: str, bench: str, instruments: Iterable[str], now: datetime
) -> Anchor:
    """Make the new journal, with an anchor that tells of the old one and a gap an instrument.

    Sequence numbers go on where the old ones could be read, so that a consumer never sees one
    twice; else they begin again with 1.

    Raises:
        JournalError: it cannot be made.
    """
    anchor = Anchor(
        id=new_id(),
        site=site,
        bench=bench,
        time=now,
        cause="set-aside",
        base=Base(sequences=aside.sequences),
        set_aside=aside.to.name[-200:],
        previous=aside.previous,
        reason=_line(aside.why),
    )
    names = sorted({*instruments, *aside.sequences})
    gaps = [
        Gap(
            id=new_id(),
            site=site,
            bench=bench,
            instrument=name,
            begin=min(aside.since, now),
            end=now,
            reason="the journal was damaged and set aside; what was not delivered may be in it",
        )
        for name in names
    ]
    connection = connect(path)
    try:
        with translated(path):
            connection.execute("BEGIN IMMEDIATE")
            set_meta(connection, "base", anchor.base.model_dump_json())
            connection.executemany("INSERT INTO counters VALUES (?, ?)", aside.sequences.items())
            Transaction(connection).append_all([anchor, *gaps])
            connection.execute("COMMIT")
    finally:
        connection.close()
    return anchor


def _was_a_journal(path: Path) -> bool:
    """Look for a sign: the mark in the file's head, or what only a daemon leaves beside it."""
    try:
        with path.open("rb") as file:
            marked = file.read(100)[_HEADER] == APPLICATION_ID.to_bytes(4, "big")
    except OSError:
        marked = False
    return marked or path.with_name(path.name + ".reserve").exists() or bool(cursors_of(path))


def _copy_cursors(path: Path, to: Path) -> None:
    """Keep how far the old journal was delivered; the publishers are about to write over it."""
    for cursor in cursors_of(path):
        # Ends otherwise than a cursor, so that it is never taken for one.
        kept = f"{to.name}{cursor.name[len(path.name) :]}.json"
        with contextlib.suppress(OSError):
            shutil.copy2(cursor, to.with_name(kept))


def _read(to: Path, why: str, delivered: int) -> SetAside:
    """Read what can be read; each by itself, because each may be on a broken page."""
    previous, sequences, since = None, dict[str, int](), None
    try:
        connection = connect(to, read_only=True)
    except JournalError:
        return SetAside(to, why, None, {}, datetime.fromtimestamp(0, UTC))
    try:
        previous = _journal(connection)
        sequences = _sequences(connection)
        since = _first_undelivered(connection, delivered)
    finally:
        connection.close()
    if since is None:
        since = _made(previous)
    return SetAside(to, why, previous, sequences, since)


def _made(journal: UUID | None) -> datetime:
    """Give when a journal was made, which its id (UUIDv7) tells; else the earliest there is."""
    try:
        return datetime.fromtimestamp(0 if journal is None else (journal.int >> 80) / 1000, UTC)
    except (ValueError, OverflowError):
        return datetime.fromtimestamp(0, UTC)


def _journal(connection: sqlite3.Connection) -> UUID | None:
    try:
        return UUID(journal_id(connection))
    except (sqlite3.Error, UnreadableError, ValueError):
        return None


def _sequences(connection: sqlite3.Connection) -> dict[str, int]:
    found: dict[str, int] = {}
    for query in (_COUNTED, _STORED):
        try:
            for name, sequence in connection.execute(query):
                # What a broken page says may be no instrument, and no number that can go on.
                if _is_instrument(name) and 0 < int(sequence) <= _MOST:
                    found[name] = max(int(sequence), found.get(name, 0))
        except (sqlite3.Error, ValueError, TypeError):
            continue
    return found


def _first_undelivered(connection: sqlite3.Connection, delivered: int) -> datetime | None:
    try:
        row = connection.execute(
            f"SELECT {BODY} FROM entries WHERE n > ? ORDER BY n LIMIT 1",  # noqa: S608 - fixed words only
            (delivered,),
        ).fetchone()
        if row is None:
            return None
        content = read_body(row[0])
        stamp = content.get("begin") or stamp_of(row[0])
        return as_utc(datetime.fromisoformat(str(stamp)))
    except (sqlite3.Error, ValueError):
        return None


def _is_instrument(name: object) -> bool:
    try:
        _INSTRUMENT.validate_python(name)
    except ValidationError:
        return False
    return True


def _line(text: str) -> str:
    """Make a line that an entry can hold."""
    return "".join(c if c.isprintable() else " " for c in text)[:200] or "damaged"
