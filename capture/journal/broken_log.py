"""A log that a daemon left which was killed, and of which SQLite takes a part only.

SQLite takes a log up to the first frame that does not hold: that is how it tells what a power cut
left half written. One changed bit in the middle ends it just so, and what was committed after it is
passed over without a word, and deleted when the file is closed. But every commit is synced before
the next one begins, so a power cut leaves at most one behind such a frame: where there are more,
they had been on the disk, and are told of.

Format: https://www.sqlite.org/fileformat2.html, section 4.
"""

import os
import re
import shutil
import sqlite3
import struct
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from glob import escape
from pathlib import Path
from typing import BinaryIO
from uuid import UUID

from pydantic_core import from_json

from capture.errors import JournalDamaged, JournalError
from capture.journal.beside import log_of, size_of
from capture.journal.chain import read_body
from capture.journal.database import BODY, UnreadableError, connect, journal_id, translated
from capture.journal.store import Transaction
from capture.model import Gap, new_id
from capture.model.fields import as_utc

_HEAD = 32  # bytes
_FRAME = struct.Struct(">II8s8s")  # page, pages after a commit, salts, checksum
_SMALLEST = 512  # bytes of a page
#: What a note's name says: stamp of the kept log, commits, newest entry left, id of the journal.
_NOTE = re.compile(r"(\d{8}T\d{6}Z)-(\d{1,18})-(\d{1,18})-([0-9a-f]{32})", re.ASCII)
_TORN = 1  # commits that a power cut can leave behind a frame that does not hold


@dataclass(frozen=True, slots=True)
class BrokenLog:
    """A log that was kept, because SQLite does not take all of it.

    Attributes:
        kept: its copy.
        commits: how many it has that SQLite does not take.
        last: number of the newest entry that is left; 0 where there is none.
        since: UTC, its own stamp; None where it has none.
    """

    kept: Path
    commits: int
    last: int
    since: datetime | None


def keep_broken_log(path: Path, now: datetime) -> BrokenLog | None:
    """Look at the log beside a journal that nobody has open; keep a copy where SQLite leaves some.

    Must come before anything else opens the journal. None where there is no log, SQLite takes all
    of it but what a power cut leaves, or the journal is damaged, which is found by who opens it.

    What was found before and not told of, because the process was killed or the disk was full, is
    given once more: SQLite has deleted that log.

    Raises:
        JournalError: it cannot be opened for another reason, or the log cannot be kept.
    """
    return _found(path, now) or _found_before(path)


def _found(path: Path, now: datetime) -> BrokenLog | None:
    log, page = log_of(path), _page_of(path)
    salts, commits = _commits_of(log, page)
    if len(commits) <= _TORN:
        return None
    before = _kept_before(path)
    kept = before or path.with_name(_kept_name(path, f"{now.astimezone(UTC):%Y%m%dT%H%M%SZ}"))
    try:
        if before is None:
            _keep(log, kept)
    except OSError as error:
        raise JournalError(
            f"{kept}: cannot be made ({error.strerror}); it is to keep the log that the last run "
            "left, until it is known whether all of it can be read"
        ) from error
    found = None
    try:
        with closing(connect(path)) as connection:
            with translated(path):
                connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
                # Puts into the file what SQLite takes of the log, and leaves the log as it is.
                _, taken, _ = connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
                if taken < 0:  # another program is moving the log just now, so it has read it
                    return None
                last, since = _newest(connection)
            left = sum(frame > taken for frame in commits)
            # Where the salts have changed, another program has begun the log anew meanwhile.
            if left > _TORN and _commits_of(log, page)[0] == salts:
                found = BrokenLog(kept, left, last, since)
                _note(path, found, connection)  # while there is a log: closing deletes it
    except JournalDamaged:
        return None
    finally:
        if found is None:
            kept.unlink(missing_ok=True)
    if found is not None:
        _part(log, kept)
    return found


def _keep(log: Path, kept: Path) -> None:
    """Give a log a second name: SQLite takes away the first one only. Takes no room."""
    try:
        os.link(log, kept)
    except FileExistsError:
        raise
    except OSError:
        shutil.copy2(log, kept)  # a file system without hard links


def untold(path: Path) -> list[Path]:
    """Name the notes of what was found of this journal's logs and not told of yet."""
    return list(path.parent.glob(f"{escape(path.name)}.untold-*"))


def told(path: Path) -> None:
    """Take these notes away: it is told of."""
    for note in untold(path):
        note.unlink(missing_ok=True)


def _note(path: Path, found: BrokenLog, connection: sqlite3.Connection) -> None:
    """Write down what was found, all of it in a file's name: a full disk has room for that."""
    stamp = found.kept.name.removeprefix(_kept_name(path, ""))
    # Where that cannot be, it is still told of, if nothing happens meanwhile.
    with suppress(OSError, ValueError, sqlite3.Error, UnreadableError):
        words = f"{stamp}-{found.commits}-{found.last}-{UUID(journal_id(connection)).hex}"
        path.with_name(f"{path.name}.untold-{words}").touch()


def _found_before(path: Path) -> BrokenLog | None:
    """Give what an earlier look has found and nobody has told of; None for nothing."""
    for note in untold(path):
        said = _NOTE.fullmatch(note.name.removeprefix(f"{path.name}.untold-"))
        if said is None or not size_of(path):
            continue
        stamp, commits, last, journal = said.groups()
        try:
            with closing(connect(path)) as connection, translated(path):
                if UUID(journal_id(connection)).hex == journal:
                    since = _newest(connection, int(last))[1]
                    kept = path.with_name(_kept_name(path, stamp))
                    return BrokenLog(kept, int(commits), int(last), since)
        except (JournalDamaged, UnreadableError, ValueError):
            return None  # found by who opens it
        note.unlink(missing_ok=True)  # of another journal, which had this name before
    return None


def _kept_name(path: Path, stamp: str) -> str:
    return f"{path.name}.log-{stamp}"


def _kept_before(path: Path) -> Path | None:
    """Give the second name that a look gave to this log before its process was killed."""
    log = log_of(path)
    for each in path.parent.glob(f"{escape(path.name)}.log-*"):
        with suppress(OSError):
            if each.samefile(log):
                return each
    return None


def _part(log: Path, kept: Path) -> None:
    """Make a copy of what is kept, where another program has the log open, so that it stays."""
    try:
        if log.samefile(kept):
            part = kept.with_name(kept.name + ".part")
            shutil.copy2(log, part)
            part.replace(kept)
    except OSError:
        pass  # the usual: SQLite has deleted the log, and what it is kept by is its only name


def tell_of(
    path: Path,
    broken: BrokenLog,
    *,
    site: str,
    bench: str,
    instruments: Iterable[str],
    now: datetime,
) -> None:
    """Write a gap for each instrument, from the newest entry that is left until now.

    A process that is killed at the very end of this has it told of twice.

    Raises:
        JournalError: the journal cannot be written.
    """
    with closing(connect(path)) as connection, translated(path):
        connection.execute("BEGIN IMMEDIATE")
        known = {str(row[0]) for row in connection.execute("SELECT instrument FROM counters")}
        Transaction(connection).append_all(
            [
                Gap(
                    id=new_id(),
                    site=site,
                    bench=bench,
                    instrument=name,
                    begin=min(broken.since or now, now),
                    end=now,
                    reason=f"the journal's log was damaged: what {broken.commits} commits after "
                    f"entry {broken.last} stored is not in the journal",
                )
                for name in sorted({*instruments, *known})
            ]
        )
        connection.execute("COMMIT")
    told(path)


def place_of(path: Path) -> tuple[str, str] | None:
    """Give site and bench that the newest entry names; None where no entry names them.

    Raises:
        JournalError: the journal cannot be read.
    """
    with closing(connect(path)) as connection, translated(path):
        for (body,) in connection.execute(
            f"SELECT {BODY} FROM entries ORDER BY n DESC"  # noqa: S608 - fixed words only
        ):
            try:
                content = read_body(body)
                return str(content["site"]), str(content["bench"])
            except (ValueError, KeyError):
                continue
    return None


def _page_of(path: Path) -> int:
    """Give the bytes of a page of the journal's file; 0 where its head does not say them."""
    try:
        with path.open("rb") as file:
            size = int.from_bytes(file.read(18)[16:], "big")  # fileformat2.html, 1.3.2
    except OSError:
        return 0
    return 65_536 if size == 1 else size


def _commits_of(log: Path, page: int) -> tuple[bytes, list[int]]:
    """Give the log's salts, and the numbers of the frames that end a commit under these salts.

    Frames with other salts are what was there before the log was begun anew. Where the log's own
    head does not hold, SQLite takes nothing of it, and the first frame tells its salts.
    """
    try:
        with log.open("rb") as file:
            head = file.read(_HEAD)
            if page < _SMALLEST or len(head) < _HEAD:
                return b"", []
            salts = head[16:24] if _holds(head) else file.read(_FRAME.size)[8:16]
            file.seek(_HEAD)
            return salts, list(_ends(file, salts, page))
    except OSError:
        return b"", []


def _holds(head: bytes) -> bool:
    """Tell whether the head of a log agrees with its checksum; fileformat2.html, 4.2."""
    order = {0x377F0682: "<", 0x377F0683: ">"}.get(int.from_bytes(head[:4], "big"))
    if order is None:
        return False
    one = two = 0
    words = iter(struct.unpack(f"{order}6I", head[:24]))
    for first, second in zip(words, words, strict=True):
        one = (one + first + two) & 0xFFFFFFFF
        two = (two + second + one) & 0xFFFFFFFF
    return struct.pack(">II", one, two) == head[24:]


def _ends(file: BinaryIO, salts: bytes, page: int) -> Iterator[int]:
    number, perhaps = 0, list[int]()
    while len(head := file.read(_FRAME.size)) == _FRAME.size:
        number += 1
        _, pages, own, _ = _FRAME.unpack(head)
        if pages:
            perhaps.append(number)
        if own == salts:  # then those before it were of this log, too, whatever they say
            yield from perhaps
            perhaps.clear()
        file.seek(page, 1)


def _newest(connection: sqlite3.Connection, up_to: int = 1 << 62) -> tuple[int, datetime | None]:
    row = connection.execute(
        f"SELECT n, {BODY} FROM entries WHERE n <= ? ORDER BY n DESC LIMIT 1",  # noqa: S608 - fixed words only
        (up_to,),
    ).fetchone()
    if row is None:
        return 0, None
    try:
        content = from_json(row[1])
        return int(row[0]), as_utc(datetime.fromisoformat(content.get("time") or content["end"]))
    except (ValueError, TypeError, AttributeError, KeyError):
        return int(row[0]), None
