"""One file for parsers that want a path, in memory where the host has such a folder."""

import tempfile
from pathlib import Path

_MEMORY = Path("/dev/shm")
FOLDER = tempfile.TemporaryDirectory(
    prefix="fuzz-", dir=_MEMORY if _MEMORY.is_dir() else None, ignore_cleanup_errors=True
)


def written(name, data):
    """Write a file of this name and give its path."""
    path = Path(FOLDER.name) / name
    path.write_bytes(data)
    return path
