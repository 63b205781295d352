"""A copy of the journal while the daemon writes, checked before it gets its name."""

import contextlib
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

from capture.errors import JournalError
from capture.journal.database import connect, translated
from capture.journal.verify import Verification, verify

_PAGES = 4096  # of 4 KiB, between two looks at the progress


def backup(
    path: Path, target: Path, *, progress: Callable[[int, int], None] = lambda *_: None
) -> Verification:
    """Copy the journal as it is now to ``target``, and verify the copy.

    The copy is one plain file without a log beside it, so it can be kept on read-only media. The
    daemon goes on writing; its log grows for as long as copying takes. ``progress`` is told pages
    done and pages in all.

    Raises:
        JournalError: there is something at ``target``, it cannot be written, or the copy does
            not verify; then no ``target`` is left.
    """
    if target.exists():
        raise JournalError(f"{target}: is there already; give the backup another name")
    part = target.with_name(target.name + ".part")
    source = connect(path, read_only=True)
    try:
        with translated(path):
            # Held open, so that every step copies the same state and none begins anew because the
            # daemon has written.
            source.execute("BEGIN")
            source.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        _copy(source, part, progress)
        checked = verify(part)
        if not checked.ok:
            raise JournalError(
                f"{path}: the copy does not verify ({checked.faults[0].what}); see "
                "`benchtally journal verify`"
            )
        _sync(part)
        part.rename(target)
    except OSError as error:
        raise JournalError(f"{target}: cannot be written: {error.strerror}") from error
    finally:
        source.close()
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    return checked


def _copy(source: sqlite3.Connection, part: Path, progress: Callable[[int, int], None]) -> None:
    part.unlink(missing_ok=True)
    with translated(part):
        copy = sqlite3.connect(part, isolation_level=None)
        try:
            source.backup(
                copy, pages=_PAGES, progress=lambda _, left, pages: progress(pages - left, pages)
            )
            source.execute("COMMIT")
            copy.execute("PRAGMA journal_mode = DELETE")
        finally:
            copy.close()


def _sync(part: Path) -> None:
    with part.open("r+b") as file:
        os.fsync(file.fileno())
