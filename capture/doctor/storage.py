"""Where the journal and the photos lie, and what is in the journal."""

import os
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

from capture.config import Config
from capture.doctor.finding import Finding, look, ok, wrong
from capture.errors import JournalError
from capture.journal.info import stamp_of
from capture.journal.local_disk import NETWORK, file_system
from capture.journal.quick import look_over
from capture.journal.reader import JournalReader
from capture.journal.upkeep import RESERVE, room_at

#: In memory: gone when the computer is switched off.
_PASSING = frozenset({"tmpfs", "ramfs", "overlay"})
_LITTLE = 1 << 30  # bytes of room under which somebody should look
_TOO_LITTLE = 4 * RESERVE  # and under which no room is kept for a clean end


def disk(
    config: Config,
    *,
    kind_of: Callable[[Path], str] = file_system,
    room: Callable[[Path], int] = room_at,
) -> Iterator[Finding]:
    """Judge the disk on which the journal lies, or will."""
    folder = existing(config.journal_path.parent)
    kind = kind_of(folder)
    if kind in NETWORK:
        yield wrong(
            "file system",
            f"{folder}: {kind}, a network file system, on which a journal can be damaged",
            "set [journal] path to a folder on a local disk",
        )
    elif kind in _PASSING:
        yield look(
            "file system",
            f"{folder}: {kind}, whose content may not outlive this computer's next start",
            "set [journal] path to a folder on a disk",
        )
    else:
        yield ok("file system", f"{folder}: {kind or 'of a kind that cannot be known here'}")
    free = room(folder)
    said = f"{folder}: {free >> 20} MiB free"
    if free < _TOO_LITTLE:
        yield wrong("disk room", said, "make room; on a full disk nothing is stored")
    elif free < _LITTLE:
        yield look("disk room", said, "make room before it is needed")
    else:
        yield ok("disk room", said)
    yield _writable("journal folder", folder)
    yield _writable("evidence folder", existing(config.evidence_path))


def journal(path: Path) -> tuple[Finding, datetime | None]:
    """Look the journal over, quickly; give the stamp of its newest entry as well."""
    if not path.exists():
        return ok("journal", f"{path}: not there yet; `benchtally run` makes it"), None
    try:
        found = look_over(path)
        newest = _newest(path)
    except JournalError as error:
        return wrong("journal", str(error)), None
    if found.fault:
        return (
            wrong("journal", f"{path}: {found.fault}", "`benchtally journal verify` tells more"),
            newest,
        )
    said = f"{path}: {found.last} entries, the newest {found.checked} are chained as they should be"
    return ok("journal", said), newest


def existing(folder: Path) -> Path:
    """Give ``folder``, or the nearest one above it that is there."""
    while not folder.is_dir() and folder != folder.parent:
        folder = folder.parent
    return folder


def _writable(what: str, folder: Path) -> Finding:
    if os.access(folder, os.W_OK | os.X_OK):
        return ok(what, f"{folder}: may be written to")
    return wrong(what, f"{folder}: this user may not write there", "change its owner or choose one")


def _newest(path: Path) -> datetime | None:
    reader = JournalReader(path)
    try:
        rows = reader.after(reader.last_n() - 1, 1)
    finally:
        reader.close()
    try:
        return datetime.fromisoformat(stamp_of(rows[0].body)) if rows else None
    except ValueError:
        return None
