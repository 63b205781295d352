"""A lock on a file, held until released or until the process ends, however it ends."""

import os
import sys
from contextlib import suppress
from pathlib import Path


class FileLock:
    """Says that one process at a time uses something."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._handle: int | None = None

    def try_take(self) -> bool:
        """Take the lock if nobody has it.

        Raises:
            OSError: the file cannot be made.
        """
        if self._handle is not None:
            return True
        handle = os.open(self._path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o600)
        if not _lock(handle):
            os.close(handle)
            return False
        self._handle = handle
        # Held all the same where the disk has no room for who holds it, which only a message asks.
        with suppress(OSError):
            os.ftruncate(handle, 0)
            os.write(handle, str(os.getpid()).encode())
        return True

    def holder(self) -> str:
        """Name the process that took the lock last, for a message."""
        try:
            return f"process {int(self._path.read_text('ascii'))}"
        except (OSError, ValueError):
            return "another process"

    def release(self) -> None:
        """Give the lock back; doing it twice does nothing."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> bool:
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _lock(handle: int) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True
