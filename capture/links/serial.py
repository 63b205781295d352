"""Serial ports, through pyserial.

What pyserial raises when a device vanishes depends on the call and the platform: SerialException,
bare OSError, termios.error (no OSError), TypeError. All of it is translated here and nowhere else.
"""

import contextlib
import time

import serial

from capture.config import SerialSettings
from capture.errors import LinkError, LinkLost, LinkOpenError, LinkTimeout
from capture.links.ports import explain_open_failure, resolve

try:
    import termios

    _FOREIGN: tuple[type[Exception], ...] = (OSError, termios.error, TypeError, ValueError)
except ImportError:  # Windows has no termios
    _FOREIGN = (OSError, TypeError, ValueError)

_WRITE_TIMEOUT = 2.0
_DRAIN_MOST = 2.0


class SerialLink:
    """A serial port."""

    message_based = False

    def __init__(self, settings: SerialSettings) -> None:
        self._settings = settings
        self._port: serial.Serial | None = None
        self._path = settings.port

    @property
    def description(self) -> str:
        """The port as configured, and the path it was found at where that differs."""
        configured = self._settings.port
        return configured if self._path == configured else f"{configured} at {self._path}"

    def open(self) -> None:
        """Open the port, set its lines, wait for them to settle and drop what came meanwhile."""
        settings = self._settings
        self._path = resolve(settings.port)
        port = serial.Serial()
        port.port = self._path
        try:
            port.baudrate = settings.baud
            port.bytesize = settings.data_bits
            port.parity = settings.parity[0].upper()
            port.stopbits = settings.stop_bits
            port.xonxoff = settings.flow == "xon-xoff"
            port.rtscts = settings.flow == "rts-cts"
            port.dsrdtr = settings.flow == "dsr-dtr"
            port.timeout = 0
            port.write_timeout = _WRITE_TIMEOUT
            port.exclusive = True
            if settings.dtr is not None:
                port.dtr = settings.dtr
            if settings.rts is not None:
                port.rts = settings.rts
            port.open()
        except _FOREIGN as error:
            raise LinkOpenError(explain_open_failure(self._path, error)) from error
        self._port = port
        if settings.settle_s > 0:
            time.sleep(settings.settle_s)
            with contextlib.suppress(*_FOREIGN):
                port.reset_input_buffer()

    def read(self, limit: int, timeout: float) -> tuple[bytes, bool]:
        """Give what is there, or what comes within ``timeout`` seconds.

        At most one byte is waited for: pyserial loses bytes it has when the device goes away in
        the same call, and waits for the full count otherwise.
        """
        port = self._opened()
        try:
            waiting = port.in_waiting
            if not waiting:
                port.timeout = timeout
                first = port.read(1)
                if not first:
                    return b"", False
                waiting = port.in_waiting
                rest = port.read(min(waiting, limit - 1)) if waiting else b""
                return first + rest, False
            return port.read(min(waiting, limit)), False
        except _FOREIGN as error:
            raise self._lost(error) from error

    def write(self, data: bytes) -> None:
        """Write all of ``data``."""
        port = self._opened()
        try:
            port.write(data)
        except serial.SerialTimeoutException as error:
            raise LinkTimeout(
                f"{self.description} does not take data; check flow control and the cable"
            ) from error
        except _FOREIGN as error:
            raise self._lost(error) from error

    def resync(self) -> None:
        """Read and drop until the port has been quiet for a while."""
        quiet = self._settings.quiet_s
        end = time.monotonic() + _DRAIN_MOST
        while time.monotonic() < end:
            data, _ = self.read(4096, quiet)
            if not data:
                return

    def close(self) -> None:
        """Close the port."""
        port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(*_FOREIGN):
                port.close()

    def _opened(self) -> serial.Serial:
        if self._port is None:
            raise LinkError(f"{self.description} is not open")
        return self._port

    def _lost(self, error: Exception) -> LinkLost:
        text = f"{self.description} went away; check the cable and the supply"
        if "multiple access" in str(error):
            text += ", and that no other program reads this port"
        return LinkLost(text)
