"""Serial ports of this host."""

import contextlib
import errno

import serial

from capture.config import SerialSettings
from capture.errors import LineRefused, LinkOpenError, LinkTimeout
from capture.links.damage import Marks, mark_damage
from capture.links.interrupt import Interrupt, can_wait
from capture.links.line import FOREIGN, LineLink, Port
from capture.links.ports import error_number, explain_open_failure, refuse_a_terminal, resolve
from capture.links.readback import is_character, not_taken, speeds_of

_WRITE_TIMEOUT = 2.0


class SerialLink(LineLink):
    """A serial port of this host."""

    def __init__(self, settings: SerialSettings) -> None:
        super().__init__(settings)
        self._settings = settings
        self._path = settings.port
        self._interrupt: Interrupt | None = None
        self._marks: Marks | None = None

    def interrupt(self) -> None:
        """End the read that waits, or the next one; from any thread."""
        super().interrupt()
        if (interrupt := self._interrupt) is not None:
            interrupt.tell()

    def write(self, data: bytes) -> None:
        """Write all of ``data``; what the port did not take in time is not sent any more.

        Raises:
            LinkTimeout: the port did not take all of it in time.
            LinkLost: the port is gone. LinkError: the link is not open.
        """
        try:
            super().write(data)
        except LinkTimeout:
            # Closing would wait for it, for half a minute where flow control holds it back: Linux'
            # closing_wait (setserial(8)).
            if self._port is not None:
                with contextlib.suppress(*FOREIGN):
                    self._port.reset_output_buffer()
            raise

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
        refuse_a_terminal(self._path)
        port = serial.Serial()
        port.port = self._path
        try:
            self._set_line(port)
            port.dsrdtr = settings.flow == "dsr-dtr"
            port.write_timeout = _WRITE_TIMEOUT
            # A lock that other programs may ignore; those that keep to it are told who holds it.
            port.exclusive = True
            port.open()
            self._check_line(port)
            self._marks = Marks() if mark_damage(port.fileno(), settings.parity) else None
            self._interrupt = Interrupt() if can_wait() else None
        except LinkOpenError:
            port.close()
            raise
        except FOREIGN as error:
            port.close()
            refused = LineRefused if error_number(error) == errno.EINVAL else LinkOpenError
            raise refused(explain_open_failure(self._path, error, self._how())) from error
        return port

    def _check_line(self, port: Port) -> None:
        """Refuse a port that is set otherwise than asked, though it said that all was well."""
        missing = not_taken(port.fileno(), self._settings)
        if any(is_character(name) for name in missing):
            # The same words as where the port says so itself, whichever of the two it does.
            raise OSError(errno.EINVAL, "not all of the settings were taken")
        if missing:
            # A port without a line of its own keeps the rate that it has, and may be used at that.
            speeds = speeds_of(port.fileno()) if "baud" in missing else None
            stays = "" if speeds is None else f", and stays at {speeds[0]} baud"
            raise LineRefused(
                f"{self._path}: does not take {', '.join(missing)} of {self._how()}{stays}; choose "
                "what this adapter has, or another adapter"
            )

    def _how(self) -> str:
        line = self._settings
        return (
            f"{line.baud} baud, {line.data_bits} data bits, parity {line.parity}, "
            f"stop bits {line.stop_bits:g}, flow {line.flow}"
        )

    def _read(self, port: Port, limit: int, timeout: float) -> bytes:
        data = self._waited(port, limit, timeout)
        return data if self._marks is None else self._marks.taken_out(data)

    def _waited(self, port: Port, limit: int, timeout: float) -> bytes:
        """Wait without waking up in between, where the system can wait for a port."""
        if self._interrupt is None:
            return super()._read(port, limit, timeout)
        if not self._interrupt.wait(port.fileno(), timeout):
            return b""
        # The port is ready, for bytes or for the error that says it is gone.
        return port.read(min(port.in_waiting or 1, limit))
