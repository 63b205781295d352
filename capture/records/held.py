"""The entries that a record is held against: those of a journal, or of an export of one."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from pydantic import ValidationError
from pydantic_core import from_json

from capture.errors import InputError
from capture.journal.database import base_of, connect, journal_id, translated
from capture.journal.transfer import FORMAT
from capture.model.anchor import Base

_PAGE = 2000
_SQLITE = b"SQLite format 3\x00"
_LONGEST_LINE = 64 << 20


@dataclass(frozen=True, slots=True)
class Entries:
    """A journal's entries in order, read once.

    Attributes:
        base: what stands before the first one.
        rows: number, exact bytes, and the hash that is stored with them.
    """

    journal: str
    base: Base
    rows: Iterator[tuple[int, bytes, bytes]]


@contextmanager
def entries_of(path: Path) -> Iterator[Entries]:
    """Open a journal, or an export of one, whichever the file is.

    Raises:
        InputError: it is neither, or the export cannot be read; says where.
        JournalError: the journal cannot be read.
    """
    try:
        with path.open("rb") as file:
            begins = file.read(len(_SQLITE))
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    with _journal(path) if begins == _SQLITE else _export(path) as found:
        yield found


@contextmanager
def _journal(path: Path) -> Iterator[Entries]:
    connection = connect(path, read_only=True)

    def rows(after: int) -> Iterator[tuple[int, bytes, bytes]]:
        while True:
            with translated(path):
                page = connection.execute(
                    "SELECT n, body, hash FROM entries WHERE n > ? ORDER BY n LIMIT ?",
                    (after, _PAGE),
                ).fetchall()
            if not page:
                return
            yield from page
            after = page[-1][0]

    try:
        with translated(path):
            base = base_of(connection)
            name = journal_id(connection)
        yield Entries(name, base, rows(base.n))
    finally:
        connection.close()


@contextmanager
def _export(path: Path) -> Iterator[Entries]:
    with path.open("rb") as file:
        lines = _lines(path, file)
        try:
            first = next(lines, {})
        except InputError:
            first = {}
        if first.get("format") != FORMAT:
            raise InputError(f"{path}: neither a journal nor an export of one")
        try:
            base = Base.model_validate(first.get("base"))
        except ValidationError as error:
            raise InputError(f"{path}: what it begins after cannot be read") from error
        yield Entries(str(first.get("journal")), base, _rows(path, lines))


def _lines(path: Path, file: IO[bytes]) -> Iterator[dict[str, Any]]:
    number = 0
    while line := file.readline(_LONGEST_LINE):
        number += 1
        try:
            content = from_json(line)
        except ValueError as error:
            raise InputError(f"{path}: line {number} is no JSON") from error
        if not isinstance(content, dict):
            raise InputError(f"{path}: line {number} is no JSON object")
        yield content


def _rows(path: Path, lines: Iterator[dict[str, Any]]) -> Iterator[tuple[int, bytes, bytes]]:
    for content in lines:
        if content.get("end"):
            return
        try:
            yield int(content["n"]), content["body"].encode(), bytes.fromhex(content["hash"])
        except (KeyError, ValueError, TypeError, AttributeError) as error:
            raise InputError(f"{path}: what stands after a line is no entry ({error})") from error
