"""An end to a wait for bytes, from another thread.

Whoever waits on a port cannot see that it is asked to stop. Looking up often enough to notice costs
a quiet bench more than all else it does; told of it, a wait may be long.
"""

import contextlib
import math
import select
import socket
import threading


class Interrupt:
    """Ends the wait that goes on, or the next one. One thread waits; any may tell."""

    def __init__(self) -> None:
        self._near, self._far = socket.socketpair()
        for each in (self._near, self._far):
            each.setblocking(False)  # noqa: FBT003 - the socket's own
        # A number that was closed may be another file's by the time somebody tells.
        self._telling = threading.Lock()
        self._closed = False

    def tell(self) -> None:
        """End the wait; returns at once, and does nothing after `close`."""
        with self._telling, contextlib.suppress(BlockingIOError):
            if not self._closed:
                self._far.send(b"\0")

    def wait(self, handle: int, seconds: float) -> bool:
        """Wait until file ``handle`` can be read, for so many seconds or until told to end.

        True where it can be read, or has an error to tell. What was told is forgotten with that.
        """
        poller = select.poll()
        poller.register(handle, select.POLLIN)
        poller.register(self._near, select.POLLIN)
        ready = {number for number, _ in poller.poll(math.ceil(seconds * 1000))}
        if self._near.fileno() in ready:
            self._near.recv(4096)
        return handle in ready

    def close(self) -> None:
        """Close it; closing twice does nothing."""
        with self._telling:
            self._closed = True
            self._near.close()
            self._far.close()


def can_wait() -> bool:
    """Tell whether this system can wait for a port and for an end at the same time."""
    return hasattr(select, "poll")
