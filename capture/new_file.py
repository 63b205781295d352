"""A file that gets its name when it is whole.

Nobody then meets it half made, and an empty file that has the name all the same is no new one: it
was cut, and what was in it is gone.
"""

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

#: Bytes up to which SQLite takes a file for a new one: a single byte counts as none
#: (`unixFileSize` in its os_unix.c).
EMPTY = 1


def is_new(path: Path) -> bool:
    """Tell whether nothing has this name yet; whatever cannot be looked at has it."""
    try:
        path.lstat()
    except FileNotFoundError:
        return True
    except OSError:
        return False
    return False


@contextmanager
def made_whole(path: Path) -> Iterator[Path]:
    """Give a name to make a file under; at the end it is called ``path``, if nothing else is.

    What was made beside it under names that begin the same is removed, however this ends.

    Raises:
        OSError: the folder is not there, has no room, or may not be written to.
    """
    made = path.with_name(f"{path.name}.new-{secrets.token_hex(4)}")
    try:
        yield made
        _call(made, path)
        sync_folder(path.parent)
    finally:
        with suppress(OSError):
            for each in path.parent.glob(f"{made.name}*"):
                each.unlink()


def sync_folder(folder: Path) -> None:
    """Let a new name survive a power cut, where the system can be asked to."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return  # Windows opens no folders
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _call(made: Path, path: Path) -> None:
    try:
        os.link(made, path)
    except FileExistsError:
        pass  # somebody was quicker; theirs is as good
    except OSError:
        # A file system without hard links: for a moment, who is quicker can be written over.
        if is_new(path):
            made.rename(path)
