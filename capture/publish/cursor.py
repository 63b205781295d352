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
        try:
            content = json.loads(self._path.read_text("utf-8"))
            if content["journal"] == self._journal_id:
                told = int(content["delivered"])
                return told if 0 <= told <= _LARGEST else 0
        except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
            pass  # none yet, or torn by a power cut: deliver again from the start, ids tell
        return 0
