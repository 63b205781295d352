"""The files that lie beside a journal, by its name."""

from pathlib import Path

#: What the name of a cursor ends with: JOURNAL.delivered, or JOURNAL.NAME.delivered.
CURSOR = ".delivered"


def log_of(journal: Path) -> Path:
    """Name the log (WAL)."""
    return journal.with_name(journal.name + "-wal")


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
