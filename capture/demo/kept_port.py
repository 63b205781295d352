"""A port that is kept free until whoever is told of it listens there.

A port that was free a moment ago the system may give to another program before the one that it was
chosen for is up: then that one does not start, and the demonstration ends.
"""

import socket
import sys
from types import TracebackType
from typing import Self


class KeptPort:
    """A free port of the loopback interface, as `number`, until `close`.

    A socket has it and does not listen. The system gives such a port to nobody who asks for any,
    and lets those listen there who name it and, as servers do, set SO_REUSEADDR (socket(7)).
    So Linux does; others let nobody else have it, or anybody: there it is let go at once.
    """

    def __init__(self) -> None:
        self._socket = socket.socket()
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._socket.bind(("127.0.0.1", 0))
        self.number: int = self._socket.getsockname()[1]
        if not sys.platform.startswith("linux"):
            self.close()

    def close(self) -> None:
        """Let the system give it to anybody, once nobody listens there."""
        self._socket.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
