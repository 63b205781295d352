"""A connection's bytes, in and out: TCP or TLS. Nothing waits but `Wire.wait` and the way up."""

import contextlib
import select
import socket
import ssl

from capture.errors import PublishError

_AT_ONCE = 65_536
_MOST_LAST_READS = 500
#: What says that the socket cannot go on now; TLS may want the other direction first.
_NOT_NOW = (BlockingIOError, InterruptedError, ssl.SSLWantReadError, ssl.SSLWantWriteError)


class Wire:
    """One open connection to a broker."""

    def __init__(self, host: str, port: int, tls: ssl.SSLContext | None, longest: float) -> None:
        """Connect within so many seconds, TLS's handshake as well.

        Raises:
            PublishError: no connection; says why.
        """
        self._unsent = bytearray()
        try:
            opened = socket.create_connection((host, port), longest)
            try:
                # Acknowledgements are small, and the broker waits for them.
                opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                if tls is not None:
                    opened = tls.wrap_socket(opened, server_hostname=host)
                opened.settimeout(0)
            except BaseException:
                opened.close()
                raise
        except (OSError, ValueError) as error:
            raise PublishError(f"broker {host}:{port}: {_text(error)}") from error
        self._socket: socket.socket = opened

    def wait(self, longest: float) -> bool:
        """Wait until bytes have come, no longer than so many seconds; send on what can leave."""
        opened = self._socket
        if isinstance(opened, ssl.SSLSocket) and opened.pending():
            longest = 0
        leaving = [opened] if self._unsent else []
        readable, writable, _ = select.select([opened], leaving, [], longest)
        if writable:
            self._send()
        return bool(readable) or (isinstance(opened, ssl.SSLSocket) and opened.pending() > 0)

    def read(self) -> bytes:
        """Give what has come, or nothing.

        Raises:
            PublishError: the connection is over; says how.
        """
        try:
            data = self._socket.recv(_AT_ONCE)
        except _NOT_NOW:
            return b""
        except OSError as error:
            raise PublishError(f"broker: {_text(error)}") from error
        if not data:
            raise PublishError("the connection to the broker is gone")
        return data

    def write(self, data: bytes) -> None:
        """Send bytes; what cannot leave now does so in `wait`.

        Raises:
            PublishError: the connection is over; says how.
        """
        self._unsent += data
        self._send()

    def drain(self, longest: float) -> None:
        """Wait until everything has left, no longer than so many seconds for the next part of it.

        Raises:
            PublishError: the connection is over; says how.
        """
        while self._unsent and select.select([], [self._socket], [], longest)[1]:
            self._send()

    def see_off(self, longest: float) -> None:
        """Say that nothing follows, and wait until the other end has read it all and closes.

        Waits no longer than so many seconds for its next sign; what it still sends is let go.
        """
        opened = self._socket
        with contextlib.suppress(OSError):
            opened.shutdown(socket.SHUT_WR)
            for _ in range(_MOST_LAST_READS):
                if not select.select([opened], [], [], longest)[0] or not opened.recv(_AT_ONCE):
                    return

    def close(self) -> None:
        """Close it, with whatever has not left."""
        with contextlib.suppress(OSError):
            self._socket.close()

    def _send(self) -> None:
        try:
            while self._unsent:
                del self._unsent[: self._socket.send(self._unsent)]
        except _NOT_NOW:
            return
        except OSError as error:
            raise PublishError(f"broker: {_text(error)}") from error


def _text(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__
