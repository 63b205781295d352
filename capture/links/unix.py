"""Unix stream sockets: programs on this host that speak for an instrument."""

import errno
import socket

from capture.config import UnixSettings
from capture.links.stream import StreamLink


class UnixLink(StreamLink):
    """A Unix stream socket."""

    def __init__(self, settings: UnixSettings) -> None:
        super().__init__(settings.connect_timeout_s)
        self._path = settings.path

    @property
    def description(self) -> str:
        """Path of the socket."""
        return self._path

    def _connect(self, timeout: float) -> socket.socket:
        family = getattr(socket, "AF_UNIX", None)
        if family is None:
            raise OSError(errno.EAFNOSUPPORT, "this system has no Unix sockets")
        connection = socket.socket(family, socket.SOCK_STREAM)
        try:
            connection.settimeout(timeout)
            connection.connect(self._path)
        except BaseException:
            connection.close()
            raise
        return connection

    def _explain(self, error: OSError) -> str:
        match error.errno:
            case errno.ENOENT:
                return "no such socket; start the program that makes it"
            case errno.ECONNREFUSED:
                return "nobody listens there; start the program that makes it"
            case errno.EACCES | errno.EPERM:
                return "no permission; the socket's file must be writable for this user"
            case errno.ENOTSOCK | errno.EPROTOTYPE:
                return "not a stream socket; check the path"
        if isinstance(error, (TimeoutError, BlockingIOError)):
            return "the program does not take the connection; it may serve one client only"
        return f"cannot connect ({error.strerror or error}); check the path"
