"""What is looked at before a journal is opened to write: what a killed daemon left of its log.

SQLite deletes a log when the last connection to the journal is closed, whatever it took of it. So
whoever writes looks first: a daemon when it starts, a command where no daemon has done it. One
looks at a time, and the others wait for the end of it: what the first has not told yet, the second
could no longer see.
"""

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from pathlib import Path

from capture.clock import Clock
from capture.config import Config
from capture.errors import JournalError
from capture.filelock import FileLock
from capture.journal import JournalReader
from capture.journal.beside import lock_of, log_of, look_lock_of, size_of
from capture.journal.broken_log import BrokenLog, keep_broken_log, place_of, tell_of, told, untold
from capture.publish.progress import hold_back

_LONGEST = 30.0  # seconds; a log of some hundred megabytes on a slow card takes less
_EVERY = 0.05  # seconds


def daemon_lock(journal: Path) -> FileLock:
    """Give the lock that a daemon holds on its journal for as long as it runs."""
    return FileLock(lock_of(journal))


@contextmanager
def looking(journal: Path, clock: Clock) -> Iterator[None]:
    """Be the only one that looks at what lies beside a journal; wait for whoever does it now.

    A process that ends gives the lock up, however it ends. Whoever takes the daemon's lock, too,
    takes this one first: then a daemon that has its own lock has looked, or still has this one.

    Raises:
        JournalError: another process is still at it after half a minute.
        OSError: the lock cannot be made.
    """
    lock = FileLock(look_lock_of(journal))
    never, until = threading.Event(), clock.monotonic() + _LONGEST
    while not lock.try_take():
        if clock.monotonic() >= until:
            raise JournalError(
                f"{journal}: {lock.holder()} has been looking at its log for {_LONGEST:.0f} s, and "
                "nothing is written before that is done; wait for its end, or end that process, "
                "and do this again"
            )
        clock.wait(never, _EVERY)
    try:
        yield
    finally:
        lock.release()


def look_before_writing(config: Config, clock: Clock) -> BrokenLog | None:
    """Keep a log of which SQLite takes a part only, and write what is missing; None for none.

    Nothing is done where a daemon runs: it has looked. This process must not have the journal open:
    closing a file gives up all of its locks on it.

    Raises:
        JournalError: the log cannot be kept, or the journal not be written, or another process does
            not come to an end with its look; do not go on.
    """

    def tell(broken: BrokenLog, now: datetime) -> None:
        tell_of_broken_log(config, broken, now)

    return _look(config.journal_path, clock, tell)


def look_at_file(path: Path, clock: Clock) -> BrokenLog | None:
    """Do the same for a journal of which only the file is known, such as a copy.

    The gaps are those of the site and bench that its newest entry names.

    Raises:
        JournalError: as of `look_before_writing`.
    """

    def tell(broken: BrokenLog, now: datetime) -> None:
        place = place_of(path)
        if place is None:  # it has no entry, so no instrument that could miss one
            told(path)
        else:
            tell_of(path, broken, site=place[0], bench=place[1], instruments=(), now=now)

    return _look(path, clock, tell)


def _look(
    path: Path, clock: Clock, tell: Callable[[BrokenLog, datetime], None]
) -> BrokenLog | None:
    # In this order: SQLite deletes the log during a look, and then the lock of that look is there.
    if not size_of(log_of(path)) and not look_lock_of(path).exists():
        return None
    with ExitStack() as held:
        try:
            held.enter_context(looking(path, clock))
            lock = daemon_lock(path)
            if not (size_of(log_of(path)) or untold(path)) or not lock.try_take():
                return None
        except OSError:
            return None  # whoever may not write here is told so when the journal is opened
        held.callback(lock.release)
        now = clock.utc()
        broken = keep_broken_log(path, now)
        if broken is not None:
            hold_cursors_back(path)
            tell(broken, now)
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
