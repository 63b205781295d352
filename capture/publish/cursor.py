"""The publisher's cursor: how far the journal has been delivered. A file of its own.

It is written often and synced seldom: a cursor that is behind costs a second delivery of the same
ids, never a loss. It names the journal it belongs to, so that a cursor left beside another journal
is not believed.
"""

import contextlib
import json
import os
from pathlib import Path

import structlog

_LARGEST = (1 << 63) - 1  # number of an entry; what is greater no journal can be asked for
_LONGEST = 1000  # bytes of the file; ours have some eighty


def told_by(path: Path) -> tuple[str, int] | None:
    """Give a journal's id and how far it was delivered, as the cursor in this file has it.

    None where there is none, or none that could be one: torn by a power cut, or longer than any.
    """
    try:
        with path.open("rb") as file:
            text = file.read(_LONGEST + 1)
        if len(text) > _LONGEST:
            return None
        content = json.loads(text)
        delivered = int(content["delivered"])
        if not 0 <= delivered <= _LARGEST:
            return None
        return str(content["journal"]), delivered
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return None


class Cursor:
    """How far delivery has come, held by one publisher at a time."""

    def __init__(self, path: Path, journal_id: str) -> None:
        """Read the cursor of the journal with this id; 0 where there is none."""
        self._path = path
        self._journal_id = journal_id
        self._saved = self._synced = -1
        self._behind = False
        self._log = structlog.get_logger()
        self.delivered = self._read()

    @property
    def unsaved(self) -> bool:
        """Whether delivery has come further than was written."""
        return self.delivered != self._saved

    def save(self, *, sync: bool) -> None:
        """Write how far delivery has come, replacing the file whole; nothing where it is saved.

        Where the file cannot be written, as on a full disk, that is told once and tried again at
        the next save. Delivery does not depend on it.
        """
        new = self._path.with_name(self._path.name + ".new")
        delivered = self.delivered
        if delivered == (self._synced if sync else self._saved):
            return
        text = json.dumps({"journal": self._journal_id, "delivered": delivered})
        try:
            with new.open("w", encoding="utf-8") as file:
                file.write(text)
                if sync:
                    file.flush()
                    os.fsync(file.fileno())
            new.replace(self._path)
        except OSError as error:
            with contextlib.suppress(OSError):
                new.unlink(missing_ok=True)
            if not self._behind:
                self._behind = True
                self._log.warning("cursor.not_saved", path=str(self._path), why=error.strerror)
            return
        self._saved = delivered
        if sync:
            self._synced = delivered
        if self._behind:
            self._behind = False
            self._log.info("cursor.saved_again", path=str(self._path))

    def _read(self) -> int:
        told = told_by(self._path)
        if told is None or told[0] != self._journal_id:
            return 0  # deliver again from the start, ids tell
        return told[1]
