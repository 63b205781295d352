"""Stream sockets: what TCP and Unix sockets have in common."""

import contextlib
import errno
import socket
from abc import ABC, abstractmethod

from capture.errors import LinkError, LinkLost, LinkOpenError, LinkTimeout
from capture.links.interrupt import Interrupt, can_wait


class StreamLink(ABC):
    """A connected stream socket; a child says how it is connected."""

    message_based = False

    def __init__(self, timeout: float) -> None:
        """Describe the link; ``timeout`` is for connecting and for writing, in seconds."""
        self._timeout = timeout
        self._socket: socket.socket | None = None
        self._interrupt: Interrupt | None = None

    @property
    @abstractmethod
    def description(self) -> str:
        """Name of the peer."""

    @abstractmethod
    def _connect(self, timeout: float) -> socket.socket:
        """Connect; any OSError is translated by the caller."""

    @abstractmethod
    def _explain(self, error: OSError) -> str:
        """Say why there is no connection, and what to do."""

    def open(self) -> None:
        """Connect.

        Raises:
            LinkOpenError: nobody is there, or who is there refused.
        """
        try:
            self._socket = self._connect(self._timeout)
            if self._interrupt is None and can_wait():
                self._interrupt = Interrupt()
        except OSError as error:
            self._hang_up()
            raise LinkOpenError(f"{self.description}: {self._explain(error)}") from error

    def read(self, limit: int, timeout: float) -> tuple[bytes, bool]:
        """Give what is there, or what comes within ``timeout`` seconds.

        Raises:
            LinkLost: the peer hung up, fell silent, or the connection broke.
            LinkError: the link is not open.
        """
        connection = self._opened()
        try:
            if self._interrupt is not None:
                if not self._interrupt.wait(connection.fileno(), timeout):
                    return b"", False
                timeout = 0.0
            connection.settimeout(timeout)
            data = connection.recv(limit)
        except BlockingIOError:
            return b"", False
        except TimeoutError as error:
            if error.errno == errno.ETIMEDOUT:
                # Not our own time-out: the system gave the peer up after unanswered probes.
                raise LinkLost(f"{self.description}: the instrument fell silent") from error
            return b"", False
        except OSError as error:
            raise LinkLost(f"{self.description}: connection lost ({error})") from error
        if not data:
            raise LinkLost(f"{self.description}: the instrument hung up; many take one client only")
        return data, False

    def write(self, data: bytes) -> None:
        """Write all of ``data``.

        Raises:
            LinkTimeout: the peer did not take all of it in time.
            LinkLost: the connection broke. LinkError: the link is not open.
        """
        connection = self._opened()
        try:
            connection.settimeout(self._timeout)
            connection.sendall(data)
        except TimeoutError as error:
            raise LinkTimeout(f"{self.description} does not take data") from error
        except OSError as error:
            raise LinkLost(f"{self.description}: connection lost ({error})") from error

    def resync(self) -> None:
        """Connect anew: what the old connection still owes never arrives.

        Raises:
            LinkOpenError: nobody is there any more.
        """
        self._hang_up()
        self.open()

    def close(self) -> None:
        """Close the connection."""
        self._hang_up()
        interrupt, self._interrupt = self._interrupt, None
        if interrupt is not None:
            interrupt.close()

    def interrupt(self) -> None:
        """End the read that waits, or the next one; from any thread."""
        if (interrupt := self._interrupt) is not None:
            interrupt.tell()

    def _hang_up(self) -> None:
        connection, self._socket = self._socket, None
        if connection is not None:
            with contextlib.suppress(OSError):
                connection.close()

    def _opened(self) -> socket.socket:
        if self._socket is None:
            raise LinkError(f"{self.description} is not open")
        return self._socket


def keep_alive(connection: socket.socket, idle: int) -> None:
    """Have the system notice a peer that vanished without a word.

    An idle peer is probed after ``idle`` seconds; one that does not confirm what was sent is given
    up after about as long, for probes stop while something is unconfirmed. Options that a system
    lacks are left alone.
    """
    interval, count = 3, 3
    options = [
        (socket.SOL_SOCKET, "SO_KEEPALIVE", 1),
        (socket.IPPROTO_TCP, "TCP_KEEPIDLE", idle),
        (socket.IPPROTO_TCP, "TCP_KEEPINTVL", interval),
        (socket.IPPROTO_TCP, "TCP_KEEPCNT", count),
        (socket.IPPROTO_TCP, "TCP_USER_TIMEOUT", (idle + interval * count) * 1000),
        (socket.IPPROTO_TCP, "TCP_NODELAY", 1),
    ]
    for level, name, value in options:
        option = getattr(socket, name, None)
        if option is not None:
            with contextlib.suppress(OSError):
                connection.setsockopt(level, option, value)
