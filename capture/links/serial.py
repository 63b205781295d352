"""Serial ports of this host."""

import serial

from capture.config import SerialSettings
from capture.errors import LinkOpenError
from capture.links.interrupt import Interrupt, can_wait
from capture.links.line import FOREIGN, LineLink, Port
from capture.links.ports import explain_open_failure, resolve

_WRITE_TIMEOUT = 2.0


class SerialLink(LineLink):
    """A serial port of this host."""

    def __init__(self, settings: SerialSettings) -> None:
        super().__init__(settings)
        self._settings = settings
        self._path = settings.port
        self._interrupt: Interrupt | None = None

    def interrupt(self) -> None:
        """End the read that waits, or the next one; from any thread."""
        super().interrupt()
        if (interrupt := self._interrupt) is not None:
            interrupt.tell()

    def close(self) -> None:
        """Close the port."""
        super().close()
        interrupt, self._interrupt = self._interrupt, None
        if interrupt is not None:
            interrupt.close()

    @property
    def description(self) -> str:
        """The port as configured, and the path it was found at where that differs."""
        configured = self._settings.port
        return configured if self._path == configured else f"{configured} at {self._path}"

    def _make_port(self) -> Port:
        settings = self._settings
        self._path = resolve(settings.port)
        port = serial.Serial()
        port.port = self._path
        try:
            self._set_line(port)
            port.dsrdtr = settings.flow == "dsr-dtr"
            port.write_timeout = _WRITE_TIMEOUT
            # A lock that other programs may ignore; those that keep to it are told who holds it.
            port.exclusive = True
            port.open()
            self._interrupt = Interrupt() if can_wait() else None
        except FOREIGN as error:
            port.close()
            how = (
                f"{settings.baud} baud, {settings.data_bits} data bits, parity {settings.parity}, "
                f"stop bits {settings.stop_bits:g}, flow {settings.flow}"
            )
            raise LinkOpenError(explain_open_failure(self._path, error, how)) from error
        return port

    def _read(self, port: Port, limit: int, timeout: float) -> bytes:
        """Wait without waking up in between, where the system can wait for a port."""
        if self._interrupt is None:
            return super()._read(port, limit, timeout)
        if not self._interrupt.wait(port.fileno(), timeout):
            return b""
        # The port is ready, for bytes or for the error that says it is gone.
        return port.read(min(port.in_waiting or 1, limit))
