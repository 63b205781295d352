"""Export and import as JSON lines: the same bytes, hashes, numbers and sequences on both sides.

    {"format": "benchtally-journal", "version": 1, "journal": …, "base": …}      first line
    {"n": …, "kind": …, "hash": …, "body": "the entry's exact JSON text"}        one line an entry
    {"end": true, "entries": …, "head": …}                                       last line

The body is carried as a string, not as an object, because its exact bytes are what is hashed. The
last line tells a whole file from one that was cut short.
"""

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from pydantic import ValidationError
from pydantic_core import from_json

from capture.errors import InputError, JournalDamaged, JournalError
from capture.journal.chain import facts_of, link, read_body
from capture.journal.database import (
    BODY,
    HASH,
    base_of,
    connect,
    journal_id,
    set_meta,
    translated,
)
from capture.journal.replay import Replay
from capture.model.anchor import Base
from capture.new_file import sync_folder

FORMAT = "benchtally-journal"
VERSION = 1

_PAGE = 2000
_LONGEST_LINE = 64 << 20
_MOST_UNREADABLE = 20_000  # numbers in a row without a readable entry, after which none follow

_INSERT = (
    "INSERT INTO entries (n, id, kind, instrument, subject, sequence, body, hash) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
)


@dataclass(frozen=True, slots=True)
class Moved:
    """What was exported or imported.

    Attributes:
        entries: how many entries.
        last: number of the last one; that of the base where there is none.
        head: its hash.
        unreadable: entries that a damaged file no longer gave.
    """

    entries: int
    last: int
    head: bytes
    unreadable: int = 0


def export(path: Path, out: IO[bytes], *, last: int | None = None) -> Moved:
    """Write the journal's entries, up to number ``last``, checking the chain on the way.

    Raises:
        JournalError: there is none, the chain breaks, or entries were cut off meanwhile.
        OSError: ``out`` cannot be written.
    """
    connection = connect(path, read_only=True)
    try:
        with translated(path):
            base = base_of(connection)
            name = journal_id(connection)
            newest = connection.execute("SELECT max(n) FROM entries").fetchone()[0] or base.n
        until = newest if last is None else min(last, newest)
        out.write(_header(name, base))
        n, head, count = base.n, bytes.fromhex(base.hash), 0
        while rows := _page(connection, path, n, until):
            for number, _, body, stored in rows:
                head = link(head, body)
                if head != stored:
                    raise JournalError(_broken(path, connection, base, number))
            n = rows[-1][0]
            count += len(rows)
            out.write(b"".join(_line(*row) for row in rows))
        out.write(_footer(count, head))
    finally:
        connection.close()
    return Moved(count, n, head)


def export_readable(path: Path, out: IO[bytes]) -> Moved:
    """Write what can still be read of a damaged file, passing over what cannot.

    The chain is not checked, so the result cannot be imported; it is for reading.

    Raises:
        JournalError: not even the file's first page can be read.
    """
    connection = connect(path, read_only=True)
    count = unreadable = n = 0
    head = bytes(32)
    try:
        out.write(_header("", Base()))
        silence = 0
        while silence < _MOST_UNREADABLE:
            try:
                rows = _page(connection, path, n, 1 << 62, 100)
                if not rows:
                    break
                rows = [row for row in rows if row[0] > n]
                if not rows:  # a broken page gives entries with the numbers of others, for ever
                    n += 1
                    silence += 1
                    unreadable += 1
            except JournalDamaged:
                # Somewhere in these: one by one, past the ones on a broken page.
                rows = []
                for number in range(n + 1, n + 101):
                    try:
                        rows += _page(connection, path, number - 1, number)
                    except JournalDamaged:
                        unreadable += 1
                        silence += 1
                n += 100
            if rows:
                silence = 0
                n = max(n, *(row[0] for row in rows))
                head = rows[-1][3]
                count += len(rows)
                out.write(b"".join(_line(*row) for row in rows))
        out.write(_footer(count, head))
    finally:
        connection.close()
    return Moved(count, n, head, unreadable - silence)


def import_into(path: Path, source: IO[bytes]) -> Moved:
    """Make a journal from what `export` wrote; nothing is left where it cannot be taken whole.

    Raises:
        InputError: the file is no export, was cut short, or its chain breaks; says which line.
        JournalError: there is a journal already, or it cannot be written.
    """
    if path.exists():
        raise JournalError(f"{path}: there is a journal already; import into another path")
    made = path.with_name(path.name + ".importing")
    _delete(made)
    connection = connect(made)
    try:
        moved = _take_all(connection, made, _Lines(source))
        with translated(made):
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            connection.close()
        if path.exists():
            raise JournalError(f"{path}: was made meanwhile; nothing was imported")
        made.rename(path)
        sync_folder(path.parent)
    finally:
        connection.close()
        _delete(made)
    return moved


class _Lines:
    """The lines of an export, numbered, each bounded and read as JSON."""

    def __init__(self, source: IO[bytes]) -> None:
        self._source = source
        self.number = 0

    def __iter__(self) -> Iterator[dict[str, Any]]:
        while line := self._source.readline(_LONGEST_LINE):
            self.number += 1
            try:
                content = from_json(line)
            except ValueError as error:
                raise self.fault(f"no JSON ({error})") from error
            if not isinstance(content, dict):
                raise self.fault("no JSON object")
            yield content

    def fault(self, why: str) -> InputError:
        """Say what is wrong with the newest line."""
        return InputError(f"line {self.number}: {why}; nothing was imported")


def _take_all(connection: sqlite3.Connection, path: Path, lines: _Lines) -> Moved:
    each = iter(lines)
    first = next(each, {})
    if first.get("format") != FORMAT or first.get("version") != VERSION:
        raise lines.fault(f"not the beginning of an export ({FORMAT}, version {VERSION})")
    try:
        base = Base.model_validate(first.get("base"))
    except ValidationError as error:
        raise lines.fault("its base cannot be read") from error
    n, head, count = base.n, bytes.fromhex(base.hash), 0
    rows: list[tuple[Any, ...]] = []
    with translated(path):
        replay = Replay(connection, base)
        set_meta(connection, "journal_id", str(first.get("journal")))
        if base != Base():
            set_meta(connection, "base", base.model_dump_json())
    for content in each:
        if content.get("end"):
            count += len(rows)
            if (content.get("entries"), content.get("head")) != (count, head.hex()):
                raise lines.fault("number or head are not those of the lines before it")
            if next(each, None) is not None:
                raise lines.fault("there is more after the last line")
            _store(connection, path, replay, rows)
            with translated(path):
                connection.execute("BEGIN IMMEDIATE")
                replay.finish()
                replay.put_in_place()
                connection.execute("COMMIT")
            return Moved(count, n, head)
        rows.append(_row(content, n, head, lines, replay))
        n, head = rows[-1][0], rows[-1][-1]
        if len(rows) == _PAGE:
            _store(connection, path, replay, rows)
            count += len(rows)
            rows = []
    raise lines.fault("the file ends here, before its last line: it was cut short")


def _row(
    content: dict[str, Any], before: int, head: bytes, lines: _Lines, replay: Replay
) -> tuple[Any, ...]:
    try:
        n, body = content["n"], content["body"].encode()
        told = read_body(body)
        facts = facts_of(told)
        if not isinstance(n, int) or n <= before or n >= 1 << 62:
            raise lines.fault(f"number {n!r} does not come after {before}")
        if facts.kind != content["kind"]:
            raise lines.fault(f"kind {content['kind']!r}, but its body is a {facts.kind}")
        made = link(head, body)
        if content["hash"] != made.hex():
            raise lines.fault(
                f"the chain breaks: the hash of entry {n} does not follow from {before}"
            )
        replay.take(n, facts, told)
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise lines.fault(f"no entry ({error})") from error
    return (
        n,
        facts.id,
        facts.kind,
        facts.instrument,
        facts.subject,
        facts.sequence,
        body,
        made,
    )


def _store(
    connection: sqlite3.Connection, path: Path, replay: Replay, rows: list[tuple[Any, ...]]
) -> None:
    with translated(path):
        connection.execute("BEGIN IMMEDIATE")
        connection.executemany(_INSERT, rows)
        replay.flush()
        connection.execute("COMMIT")


def _page(
    connection: sqlite3.Connection, path: Path, n: int, last: int, limit: int = _PAGE
) -> list[tuple[int, str, bytes, bytes]]:
    with translated(path):
        return connection.execute(
            f"SELECT n, kind, {BODY}, {HASH} FROM entries "  # noqa: S608 - fixed words only
            "WHERE n > ? AND n <= ? ORDER BY n LIMIT ?",
            (n, last, limit),
        ).fetchall()


def _header(journal: str, base: Base) -> bytes:
    said = {
        "format": FORMAT,
        "version": VERSION,
        "journal": journal,
        "base": base.model_dump(mode="json"),
    }
    return json.dumps(said).encode() + b"\n"


def _line(n: int, kind: str, body: bytes, stored: bytes) -> bytes:
    text = body.decode("utf-8", "backslashreplace")
    return (
        json.dumps(
            {"n": n, "kind": kind, "hash": stored.hex(), "body": text}, ensure_ascii=False
        ).encode()
        + b"\n"
    )


def _footer(count: int, head: bytes) -> bytes:
    return json.dumps({"end": True, "entries": count, "head": head.hex()}).encode() + b"\n"


def _broken(path: Path, connection: sqlite3.Connection, base: Base, n: int) -> str:
    with translated(path):
        if base_of(connection) != base:
            return f"{path}: entries were cut off meanwhile; export again"
    return (
        f"{path}: the chain breaks at entry {n}; see `benchtally journal verify`, and use "
        "--damaged to export what can be read all the same"
    )


def _delete(made: Path) -> None:
    for end in ("", "-wal", "-shm"):
        made.with_name(made.name + end).unlink(missing_ok=True)
