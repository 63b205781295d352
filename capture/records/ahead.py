"""What draws is imported when somebody comes, not when the first picture is wanted.

The import takes a good part of a second, and more on a small computer. A daemon that nobody visits
does without it; whoever logs in wants a picture or a record before long.
"""

import threading
from contextlib import suppress
from functools import cache

from capture.records.drawing import prepare_pictures
from capture.records.pdf import prepare_pages


@cache
def import_ahead() -> threading.Thread:
    """Begin the import, once in a program's life, and go on; give the thread that does it."""
    thread = threading.Thread(target=_import, name="draw-ahead", daemon=True)
    thread.start()
    return thread


def _import() -> None:
    for prepare in (prepare_pictures, prepare_pages):
        # Not installed, or it cannot begin here, as without a folder to write to: whoever asks for
        # a picture is told.
        with suppress(Exception):
            prepare()
