"""Damage to files that SQLite writes: cut, bits flipped, bytes overwritten, pages put elsewhere.

What is done follows from the front of an input, five bytes for each change, so that a campaign can
learn where it matters.
"""

import shutil
import tempfile
from contextlib import contextmanager
from pathlib import Path

from scratch import FOLDER

_MOST = 12  # changes of one input
_PAGE = 512  # bytes; what is put elsewhere, whatever the file's own pages are
_FILL = 64


def damaged(choices, files, done=None):
    """Give the contents of some files after what the input says was done to them.

    ``done`` is a list that is told what.
    """
    files = [bytearray(content) for content in files]
    for _ in range(min(choices.byte(), _MOST)):
        file = files[choices.byte() % len(files)]
        do, value = choices.byte(), choices.byte()
        at = (choices.byte() << 8 | choices.byte()) % max(1, len(file))
        if file:
            change = _CHANGES[do % len(_CHANGES)]
            change(file, at, value)
            if done is not None:
                done.append(change)
    return [bytes(content) for content in files]


def flip(file, at, value):
    file[at] ^= 1 << value % 8


def _write(file, at, value):
    file[at] = value


def _fill(file, at, value):
    end = min(len(file), at + _FILL)
    file[at:end] = bytes((value,)) * (end - at)


def _cut(file, at, value):
    del file[at - at % (_PAGE if value & 1 else 1) :]


def move(file, at, value):
    """Put a page where another is."""
    source = value * _PAGE % len(file)
    page = file[source : source + _PAGE]
    at -= at % _PAGE
    file[at : at + len(page)] = page


def _grow(file, at, value):
    file += bytes((value,)) * (at % (4 * _PAGE))


_CHANGES = (flip, flip, _write, _fill, _cut, move, _grow)


@contextmanager
def folder():
    """Give an empty folder, in memory where the host has such, and take it away afterwards."""
    made = Path(tempfile.mkdtemp(dir=FOLDER.name))
    try:
        yield made
    finally:
        shutil.rmtree(made, ignore_errors=True)
