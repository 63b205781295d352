"""What a person sees of delivery, and does about it: publishers, and their dead letters.

Everything is read from the files, so it works whether a daemon runs or not; a publisher that runs
takes note within half a second, another one at its next start.
"""

import uuid
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime

from capture.config import Config
from capture.errors import InputError, PublishError
from capture.journal import JournalReader
from capture.publish.cursor import Cursor
from capture.publish.files import Files, names_on_disk
from capture.publish.letters import Letter, Letters


@dataclass(frozen=True, slots=True)
class Standing:
    """How far one publisher is.

    Attributes:
        configured: whether it stands in the configuration; else it was removed from there.
        delivered, backlog: entries that it is past, and entries still to come.
        held, due, dropped: its dead letters: refused; to be tried again; given up.
    """

    publisher: str
    configured: bool
    delivered: int
    backlog: int
    held: int
    due: int
    dropped: int


class Outbox:
    """All publishers of one journal."""

    def __init__(self, config: Config) -> None:
        self._journal = config.journal_path
        self._configured = list(config.publishers)

    def names(self) -> list[str]:
        """Name all publishers: those of the configuration, then those that left files."""
        left = [name for name in names_on_disk(self._journal) if name not in self._configured]
        return [*self._configured, *left]

    def standings(self) -> list[Standing]:
        """Tell how far each publisher is.

        Raises:
            JournalError: the journal cannot be read.
            PublishError: a list of dead letters cannot be read.
        """
        return [self._standing(name) for name in self.names()]

    def letters(
        self, publisher: str | None = None, *, dropped: bool = False
    ) -> list[tuple[str, Letter]]:
        """Give the dead letters, each with the publisher whose broker refused it.

        Raises:
            InputError: no such publisher.
            PublishError: a list cannot be read.
        """
        return [
            (name, letter)
            for name in self._chosen(publisher)
            for letter in self._read(name, dropped=dropped)
        ]

    def find(self, id_: uuid.UUID, publisher: str | None = None) -> list[tuple[str, Letter]]:
        """Give the letters of one entry, one for each publisher that has it.

        Raises:
            InputError: there is none, or no such publisher.
        """
        found = [each for each in self.letters(publisher, dropped=True) if each[1].row.id == id_]
        if not found:
            raise InputError(f"{id_}: no dead letter; see `benchtally outbox list`")
        return found

    def retry(self, ids: Sequence[uuid.UUID] | None, publisher: str | None = None) -> int:
        """Have letters tried again, all that are held where no ids are given; count them.

        Raises:
            InputError: an id is no letter's, or no such publisher; nothing was done.
        """
        for id_ in ids or ():
            self.find(id_, publisher)
        count = 0
        for name in self._chosen(publisher):
            if (letters := self._open(name)) is not None:
                with closing(letters):
                    count += letters.retry(None if ids is None else list(ids))
        return count

    def drop(
        self, id_: uuid.UUID, reason: str, moment: datetime, publisher: str | None = None
    ) -> int:
        """Give a letter up, with the reason; count for how many publishers it was.

        Raises:
            InputError: no letter has this id, or no such publisher.
        """
        count = 0
        for name, _ in self.find(id_, publisher):
            if (letters := self._open(name)) is not None:
                with closing(letters):
                    count += letters.drop(id_, reason, moment)
        return count

    def drop_publisher(self, name: str, *, undelivered_too: bool) -> Standing:
        """Forget a publisher that is no longer configured; give how far it was.

        Raises:
            InputError: it is configured, unknown, or has something undelivered and that was not
                allowed.
            PublishError: it still runs, or its files cannot be removed.
        """
        self._chosen(name)
        if name in self._configured:
            raise InputError(f"{name}: still in the configuration; take it out there first")
        standing = self._standing(name)
        waiting = standing.held + standing.due
        if (standing.backlog or waiting) and not undelivered_too:
            raise InputError(
                f"{name}: {standing.backlog} entries and {waiting} dead letters were never "
                "delivered there; add --undelivered to drop it all the same"
            )
        files = Files.of(self._journal, name)
        lock = files.make_lock()
        try:
            if not lock.try_take():
                raise PublishError(f"{name}: {lock.holder()} still delivers; restart the daemon")
            try:
                files.remove()
            finally:
                lock.release()
        except OSError as error:
            raise PublishError(f"{name}: {error.filename}: {error.strerror}") from error
        return standing

    def _standing(self, name: str) -> Standing:
        states = [letter.state for letter in self._read(name, dropped=True)]
        delivered = last = 0
        if self._journal.exists():
            with closing(JournalReader(self._journal)) as reader:
                last = reader.last_n()
                cursor = Cursor(Files.of(self._journal, name).cursor, reader.journal_id)
                delivered = min(cursor.delivered, last)
        counts = (states.count(state) for state in ("held", "due", "dropped"))
        return Standing(name, name in self._configured, delivered, last - delivered, *counts)

    def _chosen(self, publisher: str | None) -> list[str]:
        names = self.names()
        if publisher is None:
            return names
        if publisher not in names:
            raise InputError(f"{publisher}: no such publisher; there are {', '.join(names)}")
        return [publisher]

    def _read(self, name: str, *, dropped: bool) -> list[Letter]:
        letters = self._open(name)
        if letters is None:
            return []
        with closing(letters):
            return letters.all(dropped=dropped)

    def _open(self, name: str) -> Letters | None:
        path = Files.of(self._journal, name).letters
        return Letters(path) if path.exists() else None
