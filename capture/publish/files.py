"""The files that a publisher keeps beside the journal, by its name.

``[broker]`` is the publisher called ``broker``. Its files are ``JOURNAL.delivered`` and
``JOURNAL.letters``; those of ``[brokers.NAME]`` have the name between: ``JOURNAL.NAME.delivered``.
A Sparkplug edge node also has ``JOURNAL.delivered.bdseq``.
"""

from dataclasses import dataclass
from pathlib import Path

from capture.filelock import FileLock
from capture.journal.beside import CURSOR
from capture.model.names import BROKER

_LETTERS, _LOCK = ".letters", ".lock"


@dataclass(frozen=True, slots=True)
class Files:
    """The files of one publisher."""

    cursor: Path
    letters: Path
    lock: Path

    @classmethod
    def of(cls, journal: Path, name: str) -> "Files":
        """Tell where a publisher's files are; they need not be there."""
        stem = journal.name if name == BROKER else f"{journal.name}.{name}"
        cursor = journal.with_name(stem + CURSOR)
        return cls(
            cursor, journal.with_name(stem + _LETTERS), cursor.with_name(cursor.name + _LOCK)
        )

    def make_lock(self) -> FileLock:
        """Make the lock that a running publisher holds."""
        return FileLock(self.lock)

    def remove(self) -> None:
        """Remove the files.

        Raises:
            OSError: one cannot be removed.
        """
        for path in (self.cursor, self.letters, self.lock, numbers_beside(self.cursor)):
            path.unlink(missing_ok=True)


def numbers_beside(cursor: Path) -> Path:
    """Name the file in which a Sparkplug edge node counts its connections (bdSeq)."""
    return cursor.with_name(cursor.name + ".bdseq")


def names_on_disk(journal: Path) -> list[str]:
    """Name the publishers that have left files beside this journal, whoever runs them now."""
    found = set()
    for ending in (CURSOR, _LETTERS):
        if journal.with_name(journal.name + ending).exists():
            found.add(BROKER)
        prefix = f"{journal.name}."
        for path in journal.parent.glob(f"*{ending}"):
            if path.name.startswith(prefix) and (
                name := path.name[len(prefix) : -len(ending)].strip(".")
            ):
                found.add(name)
    return sorted(found)
