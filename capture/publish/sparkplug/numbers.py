"""bdSeq: the number that ties a birth to the death that the broker holds for it."""

import contextlib
from pathlib import Path

_NUMBERS = 256


class BirthNumbers:
    """Counts connections from 0 to 255 and around, over restarts, too.

    The standard lets a node begin anew at 0; then a late will of the run before could be taken for
    this one's. Where the file cannot be written, counting goes on from memory.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._next = 0
        with contextlib.suppress(OSError, ValueError):
            self._next = (int(path.read_text("ascii")) + 1) % _NUMBERS

    def take(self) -> int:
        """Give the number of the next connection."""
        number = self._next
        self._next = (number + 1) % _NUMBERS
        with contextlib.suppress(OSError):
            self._path.write_text(f"{number}\n", "ascii")
        return number
