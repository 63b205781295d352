"""What is looked at before a journal is opened to write: what a killed daemon left of its log.

SQLite deletes a log when the last connection to the journal is closed, whatever it took of it. So
whoever writes looks first: a daemon when it starts, a command where no daemon has done it.
"""

from datetime import datetime
from pathlib import Path

from capture.config import Config
from capture.filelock import FileLock
from capture.journal import JournalReader
from capture.journal.beside import log_of, size_of
from capture.journal.broken_log import BrokenLog, keep_broken_log, tell_of
from capture.publish.progress import hold_back


def daemon_lock(journal: Path) -> FileLock:
    """Give the lock that a daemon holds on its journal for as long as it runs."""
    return FileLock(journal.with_name(journal.name + ".lock"))


def look_before_writing(config: Config, now: datetime) -> BrokenLog | None:
    """Keep a log of which SQLite takes a part only, and write what is missing; None for none.

    Nothing is done where a daemon runs: it has looked. This process must not have the journal open:
    closing a file gives up all of its locks on it.

    Raises:
        JournalError: the log cannot be kept, or the journal not be written; do not go on.
    """
    path = config.journal_path
    if not size_of(log_of(path)):
        return None
    lock = daemon_lock(path)
    try:
        if not lock.try_take():
            return None
    except OSError:
        return None  # whoever may not write here is told so when the journal is opened
    try:
        broken = keep_broken_log(path, now)
        if broken is not None:
            hold_cursors_back(path)
            tell_of_broken_log(config, broken, now)
    finally:
        lock.release()
    return broken


def hold_cursors_back(path: Path) -> tuple[dict[str, int], int]:
    """Put cursors that are past the journal's end back to it; give where each was, and that end.

    Must come before anything is appended: its number would pass for delivered.

    Raises:
        JournalError: the journal cannot be read.
    """
    reader = JournalReader(path)
    try:
        last = reader.last_n()
        return hold_back(path, reader.journal_id, last), last
    finally:
        reader.close()


def tell_of_broken_log(config: Config, broken: BrokenLog, now: datetime) -> None:
    """Write a gap for each instrument of the bench.

    Raises:
        JournalError: the journal cannot be written.
    """
    tell_of(
        config.journal_path,
        broken,
        site=config.site,
        bench=config.bench,
        instruments=config.instruments,
        now=now,
    )
