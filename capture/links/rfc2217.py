"""Serial ports behind the network, by RFC 2217 ("Telnet Com Port Control Option", October 1997).

pyserial's own client is used. Its traps: a write time-out is not supported; each change of the read
time-out negotiates the whole port anew; some servers never confirm DTR and RTS; a connection that
broke leaves its socket open; its reading thread dies of what a far end should not send, and keeps
without limit what nobody reads.
"""

import queue
import threading
import time
import urllib.parse
from typing import Any

import serial
import serial.rfc2217

from capture.config import Rfc2217Settings
from capture.errors import LinkOpenError
from capture.links.line import FOREIGN, LineLink, Port
from capture.links.stream import keep_alive
from capture.links.tcp import explain_tcp
from capture.links.telnet import Negotiation, Subnegotiation, TelnetStream

_MOST_HELD = 1 << 16  # bytes that nobody has read; beyond these the far end has to wait
_PAUSE = 0.01


class _Port(serial.rfc2217.Serial):
    """pyserial's port, which also closes its socket when the far end was gone first.

    What it reads is taken apart here: whatever comes, its thread ends without a word, which the
    next read tells as a lost connection.
    """

    # Parts of pyserial's that its stubs do not know.
    _read_buffer: Any
    _socket: Any
    _thread: Any
    _telnet_negotiate_option: Any
    _telnet_process_subnegotiation: Any

    def close(self) -> None:
        """Close the port."""
        connection = getattr(self, "_socket", None)
        super().close()
        if connection is not None:
            connection.close()

    def read(self, size: int = 1) -> bytes:
        """Read; what came before the far end hung up is given before that is said.

        Raises:
            SerialException: it has hung up, and all was given; or the port is not open.
        """
        thread = self._thread
        if not self.is_open or thread is None:
            raise serial.PortNotOpenError
        end = time.monotonic() + (self.timeout or 0.0)
        data = b""
        while len(data) < size:
            # Asked before the bytes are: whatever it left is there by then.
            is_over = not thread.is_alive()
            left = 0.0 if is_over else max(0.0, end - time.monotonic())
            try:
                byte = self._read_buffer.get(timeout=left)
            except queue.Empty:
                if is_over and not data:
                    raise serial.SerialException("the far end has hung up") from None
                break
            if byte is None:  # its last word; the next read tells
                break
            data += byte
        return data

    def _telnet_read_loop(self) -> None:
        """Read until the port is closed or the far end has gone; in a thread of its own."""
        stream, never, held = TelnetStream(), threading.Event(), self._read_buffer
        try:
            while self.is_open:
                if held.qsize() >= _MOST_HELD:
                    never.wait(_PAUSE)
                    continue
                try:
                    data = self._socket.recv(1024)
                except TimeoutError:
                    continue  # to see whether it is still open
                if not data:
                    return
                for piece in stream.feed(data):
                    self._take(piece)
        except Exception:  # noqa: BLE001, S110 - a hostile far end must not end in a traceback
            pass
        finally:
            held.put(None)

    def _take(self, piece: bytes | Negotiation | Subnegotiation) -> None:
        match piece:
            case Negotiation(command, option):
                self._telnet_negotiate_option(command, option)
            case Subnegotiation(data):
                self._telnet_process_subnegotiation(data)
            case _:
                for at in range(len(piece)):
                    self._read_buffer.put(piece[at : at + 1])

    def keep_alive(self, idle: int) -> None:
        """Have the system notice a far end that vanished without a word."""
        connection = getattr(self, "_socket", None)
        if connection is not None:
            keep_alive(connection, idle)


class Rfc2217Link(LineLink):
    """A serial port of another computer or converter. DTR and RTS are carried over."""

    def __init__(self, settings: Rfc2217Settings) -> None:
        super().__init__(settings)
        self._settings = settings

    @property
    def description(self) -> str:
        """Host and port, in the form of an RFC 2217 address."""
        host = self._settings.host
        return f"rfc2217://{f'[{host}]' if ':' in host else host}:{self._settings.port}"

    def _make_port(self) -> Port:
        settings = self._settings
        options: dict[str, Any] = {"timeout": settings.negotiation_s}
        if settings.lines_unanswered:
            options["ign_set_control"] = ""
        port = _Port()
        try:
            port.port = f"{self.description}?{urllib.parse.urlencode(options)}"
            self._set_line(port)
            port.open()
            port.keep_alive(settings.keepalive_s)
        except FOREIGN as error:
            raise LinkOpenError(f"{self.description}: {_explain(error)}") from error
        return port


def _explain(error: Exception) -> str:
    cause = error.__context__
    if isinstance(cause, OSError):
        return explain_tcp(cause)
    if "RFC2217 or BINARY" in str(error):
        return 'what listens there does not speak RFC 2217; use kind = "tcp" for a plain socket'
    if "parameter change" in str(error):
        return "the converter refuses these line settings; check baud, data bits, parity, stop bits"
    if "waiting for option" in str(error):
        return "the converter does not confirm DTR and RTS; set lines_unanswered = true"
    return f"cannot be opened ({error}); check address, port and settings"
