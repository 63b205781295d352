"""Serial ports of this host."""

import math
import select

import serial

from capture.config import SerialSettings
from capture.errors import LinkOpenError
from capture.links.line import FOREIGN, LineLink, Port
from capture.links.ports import explain_open_failure, resolve

_WRITE_TIMEOUT = 2.0


class SerialLink(LineLink):
    """A serial port of this host."""

    def __init__(self, settings: SerialSettings) -> None:
        super().__init__(settings)
        self._settings = settings
        self._path = settings.port

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
        except FOREIGN as error:
            raise LinkOpenError(explain_open_failure(self._path, error)) from error
        return port

    def _first_byte(self, port: Port, timeout: float) -> bytes:
        """Wait without waking up in between, where the system can wait for a port."""
        if not hasattr(select, "poll"):
            return super()._first_byte(port, timeout)
        poller = select.poll()
        poller.register(port.fileno(), select.POLLIN)
        if not poller.poll(math.ceil(timeout * 1000)):
            return b""
        # The port is ready, for a byte or for the error that says it is gone.
        return port.read(1)
