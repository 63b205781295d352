"""The files that lie beside a journal, by its name."""

from pathlib import Path

from capture.new_file import EMPTY

#: What the name of a cursor ends with: JOURNAL.delivered, or JOURNAL.NAME.delivered.
CURSOR = ".delivered"


def log_of(journal: Path) -> Path:
    """Name the log (WAL)."""
    return journal.with_name(journal.name + "-wal")


def lock_of(journal: Path) -> Path:
    """Name the lock that a daemon holds as long as it runs; it stays when nobody holds it."""
    return journal.with_name(journal.name + ".lock")


def look_lock_of(journal: Path) -> Path:
    """Name the lock of whoever looks at what a killed daemon left; it stays, as the other one."""
    return journal.with_name(journal.name + ".look.lock")


def cut_short(journal: Path) -> str | None:
    """Say what shows that a journal was cut to nothing; None where nothing does.

    A journal gets its name when it is whole, so an empty file is no new one. SQLite would take it
    for one, and throw its log away.
    """
    try:
        size = journal.stat().st_size
    except FileNotFoundError:
        return "its log is there, but the file itself is not" if size_of(log_of(journal)) else None
    except OSError:
        return None  # whoever opens it says why that cannot be
    return None if size > EMPTY else "the file is empty"


def mark_of(journal: Path) -> Path:
    """Name the file that says that the journal was found damaged while it was in use."""
    return journal.with_name(journal.name + ".damaged")


def cursors_of(journal: Path) -> list[Path]:
    """Name the cursors of all publishers, those that no longer run included."""
    return sorted(
        path
        for path in journal.parent.iterdir()
        if path.name.startswith(f"{journal.name}.") and path.name.endswith(CURSOR)
    )


def size_of(path: Path) -> int:
    """Give the bytes of a file; 0 where there is none."""
    try:
        return path.stat().st_size
    except OSError:
        return 0
