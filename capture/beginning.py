"""How a process that goes on for months begins: nothing it imports is rubbish.

Python looks for rubbish each time some hundred objects have come to be, and now and then among all
there are. What importing makes stays until the end, so that every look is in vain: a sixth of the
start of a daemon. Put aside afterwards, it is not looked at again either, and the pauses of later
looks are those of what the process has made since.
"""

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def nothing_is_rubbish() -> Iterator[None]:
    """Keep all that is made within, and look for rubbish among the rest afterwards."""
    before = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        if before:
            gc.enable()
