"""TCP sockets: SCPI raw (port 5025) and serial-to-network converters."""

import contextlib
import errno
import select
import socket

from capture.config import TcpSettings
from capture.errors import LinkError, LinkLost, LinkOpenError, LinkTimeout


class TcpLink:
    """A TCP connection."""

    message_based = False

    def __init__(self, settings: TcpSettings) -> None:
        self._settings = settings
        self._socket: socket.socket | None = None

    @property
    def description(self) -> str:
        """Host and port."""
        return f"{self._settings.host}:{self._settings.port}"

    def open(self) -> None:
        """Connect."""
        settings = self._settings
        try:
            connection = socket.create_connection(
                (settings.host, settings.port), timeout=settings.connect_timeout_s
            )
        except OSError as error:
            raise LinkOpenError(f"{self.description}: {_explain(error)}") from error
        connection.settimeout(0)
        with contextlib.suppress(OSError):
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        _keep_alive(connection, settings.keepalive_s)
        self._socket = connection

    def read(self, limit: int, timeout: float) -> tuple[bytes, bool]:
        """Give what is there, or what comes within ``timeout`` seconds."""
        connection = self._opened()
        try:
            ready, _, _ = select.select([connection], [], [], timeout)
            if not ready:
                return b"", False
            data = connection.recv(limit)
        except BlockingIOError:
            return b"", False
        except (OSError, ValueError) as error:
            raise LinkLost(f"{self.description}: connection lost ({error})") from error
        if not data:
            raise LinkLost(f"{self.description}: the instrument hung up; many take one client only")
        return data, False

    def write(self, data: bytes) -> None:
        """Write all of ``data``."""
        connection = self._opened()
        view = memoryview(data)
        try:
            while view:
                _, ready, _ = select.select([], [connection], [], self._settings.connect_timeout_s)
                if not ready:
                    raise LinkTimeout(f"{self.description} does not take data")
                view = view[connection.send(view) :]
        except LinkTimeout:
            raise
        except (OSError, ValueError) as error:
            raise LinkLost(f"{self.description}: connection lost ({error})") from error

    def resync(self) -> None:
        """Connect anew: what the old connection still owes never arrives."""
        self.close()
        self.open()

    def close(self) -> None:
        """Close the connection."""
        connection, self._socket = self._socket, None
        if connection is not None:
            with contextlib.suppress(OSError):
                connection.close()

    def _opened(self) -> socket.socket:
        if self._socket is None:
            raise LinkError(f"{self.description} is not open")
        return self._socket


def _keep_alive(connection: socket.socket, idle: int) -> None:
    """Ask the system to probe an idle peer; options a system lacks are left alone."""
    with contextlib.suppress(OSError):
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for name, value in (("TCP_KEEPIDLE", idle), ("TCP_KEEPINTVL", 3), ("TCP_KEEPCNT", 3)):
            option = getattr(socket, name, None)
            if option is not None:
                connection.setsockopt(socket.IPPROTO_TCP, option, value)


def _explain(error: OSError) -> str:
    if isinstance(error, TimeoutError):
        return "no answer; check the address and that the instrument is on"
    if error.errno == errno.ECONNREFUSED:
        return "connection refused; check the port, and that remote control is enabled"
    if isinstance(error, socket.gaierror):
        return "no such host; check the name"
    return f"cannot connect ({error.strerror or error})"
