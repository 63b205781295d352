"""Files that commands write: whole or not at all."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from capture.errors import InputError


@contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """Give a file to write to; it takes its name when all of it is written.

    Raises:
        InputError: it cannot be written; says why. What stood under the name still does.
    """
    if path.exists() and not path.is_file():
        # Taking its name would put a file in the place of a device or a folder.
        raise InputError(f"{path}: cannot be written: no plain file; - stands for the output")
    part = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with part.open("wb") as out:
            yield out
        part.replace(path)
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        part.unlink(missing_ok=True)
