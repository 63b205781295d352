"""TCP sockets: SCPI raw (port 5025) and serial-to-network converters."""

import errno
import socket

from capture.config import TcpSettings
from capture.links.stream import StreamLink, keep_alive


class TcpLink(StreamLink):
    """A TCP connection."""

    def __init__(self, settings: TcpSettings) -> None:
        super().__init__(settings.connect_timeout_s)
        self._settings = settings

    @property
    def description(self) -> str:
        """Host and port."""
        return f"{self._settings.host}:{self._settings.port}"

    def _connect(self, timeout: float) -> socket.socket:
        settings = self._settings
        connection = socket.create_connection((settings.host, settings.port), timeout=timeout)
        keep_alive(connection, settings.keepalive_s)
        return connection

    def _explain(self, error: OSError) -> str:
        return explain_tcp(error)


def explain_tcp(error: OSError) -> str:
    """Say why there is no connection, and what to do."""
    if isinstance(error, socket.gaierror):
        return "no such host; check the name"
    if isinstance(error, TimeoutError):
        return "no answer; check the address and that the instrument is on"
    if error.errno == errno.ECONNREFUSED:
        return "connection refused; check the port, and that remote control is enabled"
    if error.errno in {errno.EHOSTUNREACH, errno.ENETUNREACH}:
        return "not reachable; check the address and the network cable"
    return f"cannot connect ({error.strerror or error}); check address, port and network"
