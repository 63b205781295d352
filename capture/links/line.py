"""Serial lines through pyserial, local or remote: what both kinds of port have in common.

What pyserial raises when a device vanishes depends on the call and the platform: SerialException,
bare OSError, termios.error (no OSError), TypeError. All of it is translated here and in the two
children, and nowhere else.

The read time-out of a port is set once and never changed: each change makes pyserial set the whole
port again, which reprograms an unusual baud rate while bytes come in, and negotiates anew with a
remote port.
"""

import contextlib
import time
from abc import ABC, abstractmethod

import serial
import serial.rfc2217

from capture.config import Rfc2217Settings, SerialSettings
from capture.errors import LinkError, LinkLost, LinkTimeout

try:
    import termios

    FOREIGN: tuple[type[Exception], ...] = (OSError, termios.error, TypeError, ValueError)
except ImportError:  # Windows has no termios
    FOREIGN = (OSError, TypeError, ValueError)

Port = serial.Serial | serial.rfc2217.Serial

#: Read time-out of the port itself: how late a wait may end where it cannot be told to end earlier.
READ_TIMEOUT = 0.02

_DRAIN_MOST = 1.0
_SETTLE_SLICE = 0.05


class LineLink(ABC):
    """An open serial port. A child makes the port."""

    message_based = False

    def __init__(self, settings: SerialSettings | Rfc2217Settings) -> None:
        self._line = settings
        self._port: Port | None = None
        self._interrupted = False

    @property
    @abstractmethod
    def description(self) -> str:
        """Name of the port."""

    @abstractmethod
    def _make_port(self) -> Port:
        """Make the port and open it.

        Raises:
            LinkOpenError: absent, busy, forbidden or refused.
        """

    def open(self) -> None:
        """Open the port, set its lines, and drop what comes until they have settled.

        Takes as long as the lines settle, two seconds at most; a port that vanishes meanwhile is
        noticed at once.

        Raises:
            LinkOpenError: the port is absent, busy or forbidden. LinkLost: it vanished meanwhile.
        """
        self._port = self._make_port()
        end = time.monotonic() + self._line.settle_s
        try:
            while (left := end - time.monotonic()) > 0:
                self.read(4096, min(left, _SETTLE_SLICE))
        except LinkError:
            self.close()
            raise

    def read(self, limit: int, timeout: float) -> tuple[bytes, bool]:
        """Give what is there, or what comes within ``timeout`` seconds.

        Raises:
            LinkLost: the port is gone. LinkError: the link is not open.
        """
        port = self._opened()
        try:
            return self._read(port, limit, timeout), False
        except FOREIGN as error:
            raise self._lost(error) from error

    def _read(self, port: Port, limit: int, timeout: float) -> bytes:
        # At most one byte is waited for: pyserial waits for the full count otherwise.
        waiting = port.in_waiting
        if waiting:
            return port.read(min(waiting, limit))
        first = self._first_byte(port, timeout)
        return first + self._what_follows(port, limit - 1) if first else b""

    @staticmethod
    def _what_follows(port: Port, limit: int) -> bytes:
        """Give what came with a first byte; that one is not lost when the port is gone by now."""
        with contextlib.suppress(*FOREIGN):
            waiting = port.in_waiting
            if waiting:
                return port.read(min(waiting, limit))
        return b""

    def _first_byte(self, port: Port, timeout: float) -> bytes:
        end = time.monotonic() + timeout
        while True:
            first = port.read(1)
            if first or self._interrupted or time.monotonic() >= end:
                self._interrupted = False
                return first

    def interrupt(self) -> None:
        """End the read that waits, or the next one; from any thread."""
        self._interrupted = True

    def write(self, data: bytes) -> None:
        """Write all of ``data``.

        Raises:
            LinkTimeout: the port did not take all of it in time.
            LinkLost: the port is gone. LinkError: the link is not open.
        """
        port = self._opened()
        try:
            taken = port.write(data)
        except serial.SerialTimeoutException as error:
            raise self._refused() from error
        except FOREIGN as error:
            if isinstance(error.__context__, TimeoutError):
                raise self._refused() from error
            raise self._lost(error) from error
        if taken is not None and taken < len(data):
            raise self._refused()

    def resync(self) -> None:
        """Drop what is not sent yet, then read and drop until the port has been quiet for a while.

        A port that is never quiet is left after a second: it sends unasked.

        Raises:
            LinkLost: the port is gone. LinkError: the link is not open.
        """
        port = self._opened()
        self.read(4096, 0.0)  # a port that is gone says so at once, not after a time-out
        try:
            port.reset_output_buffer()
        except FOREIGN as error:
            raise self._lost(error) from error
        end = time.monotonic() + _DRAIN_MOST
        while time.monotonic() < end:
            data, _ = self.read(4096, self._line.quiet_s)
            if not data:
                return

    def close(self) -> None:
        """Close the port."""
        port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(*FOREIGN):
                port.close()

    def _set_line(self, port: Port) -> None:
        """Set everything but flow control by DTR and DSR, which remote ports do not have."""
        line = self._line
        port.baudrate = line.baud
        port.bytesize = line.data_bits
        port.parity = line.parity[0].upper()
        port.stopbits = line.stop_bits
        port.xonxoff = line.flow == "xon-xoff"
        port.rtscts = line.flow == "rts-cts"
        port.timeout = READ_TIMEOUT
        # Set before opening, they are applied on opening.
        if line.dtr is not None:
            port.dtr = line.dtr
        if line.rts is not None:
            port.rts = line.rts

    def _opened(self) -> Port:
        if self._port is None:
            raise LinkError(f"{self.description} is not open")
        return self._port

    def _refused(self) -> LinkTimeout:
        return LinkTimeout(
            f"{self.description} does not take data; check flow control and the cable"
        )

    def _lost(self, error: Exception) -> LinkLost:
        text = f"{self.description} went away; check the cable and the supply"
        if "multiple access" in str(error):
            text += ", and that no other program reads this port"
        return LinkLost(text)
