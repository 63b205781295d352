"""USBTMC devices through Linux' own driver: /dev/usbtmcN.

For hosts where the kernel's driver holds the device, or where libusb is not to be installed.

Numbers: ``include/uapi/linux/usb/tmc.h`` of Linux 6.1, with the encoding of
``include/uapi/asm-generic/ioctl.h`` (x86, ARM and RISC-V; some other machines encode otherwise).

This was written without such a device at hand. The tests run it against a node of their own making
that answers as the header and ``drivers/usb/class/usbtmc.c`` describe; a real /dev/usbtmcN has not
been read by it yet.

Theory of operation. Each ``read`` of the node sends a request to the device and waits; when it
times out, the driver has to abort it. So, where the device has a status byte (USB488), it is asked
for bit 4 (MAV) until an answer is there, and only then read. Without a status byte the node is read
with a short time-out, and every one that passes is followed by an abort.
"""

import contextlib
import errno
import os
import struct
import threading
import time
from typing import Protocol

from capture.config import UsbtmcSettings
from capture.errors import LinkError, LinkLost, LinkOpenError, LinkTimeout
from capture.links.ports import explain_open_failure
from capture.links.usbtmc.codec import terminated
from capture.links.usbtmc.incoming import broke_off

try:
    import fcntl
except ImportError:  # Windows: there are no such nodes either
    fcntl = None  # type: ignore[assignment]

_MAGIC = 91
_U8, _U32 = 1, 4


def _io(number: int) -> int:
    return _MAGIC << 8 | number


def _ior(number: int, size: int) -> int:
    return 2 << 30 | size << 16 | _io(number)


def _iow(number: int, size: int) -> int:
    return 1 << 30 | size << 16 | _io(number)


CLEAR = _io(2)
ABORT_BULK_OUT = _io(3)
ABORT_BULK_IN = _io(4)
CLEAR_OUT_HALT = _io(6)
CLEAR_IN_HALT = _io(7)
GET_TIMEOUT = _ior(9, _U32)
SET_TIMEOUT = _iow(10, _U32)
EOM_ENABLE = _iow(11, _U8)
GET_CAPS = _ior(17, _U8)
READ_STB = _ior(18, _U8)
REN_CONTROL = _iow(19, _U8)
MSG_IN_ATTR = _ior(24, _U8)
AUTO_ABORT = _iow(25, _U8)

CAPABILITY_REN = 2
CAPABILITY_488_2 = 4

_EOM = 1
_MAV = 0x10
_POLL = 0.01
_SHORT_READ_MS = 200  # the driver takes no less than 100
_LINE_FEED = b"\n"
_GONE = frozenset({errno.ENODEV, errno.EIO, errno.ESHUTDOWN, errno.EBADF, errno.ENXIO})


class System(Protocol):
    """The system calls that a node is used with."""

    def open(self, path: str) -> int:
        """Open for reading and writing; give the descriptor."""
        ...

    def close(self, descriptor: int) -> None:
        """Close."""
        ...

    def read(self, descriptor: int, count: int) -> bytes:
        """Read at most ``count`` bytes."""
        ...

    def write(self, descriptor: int, data: bytes) -> int:
        """Write; give how many bytes were taken."""
        ...

    def ioctl(self, descriptor: int, request: int, argument: bytes) -> bytes:
        """Do a request; give the argument as it is afterwards."""
        ...


class LinuxSystem:
    """The system's own calls."""

    def open(self, path: str) -> int:
        """Open for reading and writing."""
        return os.open(path, os.O_RDWR | getattr(os, "O_CLOEXEC", 0))

    def close(self, descriptor: int) -> None:
        """Close."""
        os.close(descriptor)

    def read(self, descriptor: int, count: int) -> bytes:
        """Read at most ``count`` bytes."""
        return os.read(descriptor, count)

    def write(self, descriptor: int, data: bytes) -> int:
        """Write."""
        return os.write(descriptor, data)

    def ioctl(self, descriptor: int, request: int, argument: bytes) -> bytes:
        """Do a request."""
        if not argument:
            fcntl.ioctl(descriptor, request)
            return b""
        return bytes(fcntl.ioctl(descriptor, request, argument))


class KernelUsbtmcLink:
    """A USBTMC device behind /dev/usbtmcN."""

    message_based = True

    def __init__(self, settings: UsbtmcSettings, system: System | None = None) -> None:
        """Describe the link.

        Args:
            settings: with the path of a node as device.
            system: what stands in for the system's calls in tests.
        """
        self._settings = settings
        self._system: System = system or LinuxSystem()
        self._node: int | None = None
        self._never = threading.Event()  # nothing sets it: it only lets time pass
        self._forget_device()

    def _forget_device(self) -> None:
        self._has_status = False
        self._knows_end = True  # older drivers do not hand out the attributes
        self._can_remote = False
        self._remote = False
        self._answered = False
        self._payload = b""
        self._ended = False
        self._given = False  # a part of this message has left the link

    @property
    def description(self) -> str:
        """Path of the node."""
        return self._settings.device

    def open(self) -> None:
        """Open the node and bring the device to a known state.

        Raises:
            LinkOpenError: not on Linux; the node is absent, busy or forbidden; or what answers is
                no USBTMC device.
        """
        self._forget_device()
        path = self._settings.device
        if fcntl is None:
            raise LinkOpenError(f"{path}: only Linux has such nodes; use the USB identity")
        try:
            self._node = self._system.open(path)
        except OSError as error:
            raise LinkOpenError(explain_open_failure(path, error)) from error
        try:
            self._set_up()
        except LinkError as error:
            self.close()
            raise LinkOpenError(f"{path}: cannot be used: {error}") from error

    def _set_up(self) -> None:
        capabilities = self._value(GET_CAPS)
        if capabilities is None:
            raise LinkError("no usbtmc node, or one of a Linux older than 4.6; check the path")
        self._can_remote = bool(capabilities & CAPABILITY_REN)
        self._has_status = bool(capabilities & CAPABILITY_488_2) and self._stb() is not None
        # Before 4.20 the driver has no per-file settings; what it does by itself is right then.
        self._try(EOM_ENABLE, b"\x01")
        self._try(AUTO_ABORT, b"\x01")
        milliseconds = round(self._settings.io_timeout_s * 1000)
        if not self._has_status:
            milliseconds = _SHORT_READ_MS
        self._try(SET_TIMEOUT, struct.pack("=I", milliseconds))
        if self._settings.ren == "yes":
            self._assert_remote()
        if self._settings.clear_on_open:
            self._try(CLEAR)

    def write(self, data: bytes) -> None:
        """Send ``data`` as one message.

        Raises:
            LinkTimeout: the device did not take the whole message in time.
            LinkLost: the device is gone. LinkError: the link is not open.
        """
        node = self._opened()
        data = terminated(data, line_feed=self._settings.trailing_line_feed)
        self._payload, self._ended, self._given = b"", False, False
        try:
            taken = self._system.write(node, data)
        except OSError as error:
            if error.errno in _GONE:
                raise self._lost(error) from error
            taken = 0
        if taken < len(data):
            self._try(ABORT_BULK_OUT)
            raise LinkTimeout(f"{self.description} does not take the message; switch it off and on")

    def read(self, limit: int, timeout: float) -> tuple[bytes, bool]:
        """Give up to ``limit`` bytes of the answer that comes within ``timeout`` seconds.

        Raises:
            LinkLost: the device is gone, or broke off after a part of its answer was given.
            LinkError: the link is not open.
        """
        self._opened()
        if not self._payload and not self._ended and self._has_answer(timeout):
            self._receive()
        data, self._payload = self._payload[:limit], self._payload[limit:]
        ended = self._ended and not self._payload
        self._given = (self._given or bool(data)) and not ended
        if ended:
            self._ended = False
        return data, ended

    def _has_answer(self, timeout: float) -> bool:
        end = time.monotonic() + timeout
        while self._has_status:
            status = self._stb()
            if status is None:
                self._has_status = False  # it stopped telling; from here on the node is just read
                self._try(SET_TIMEOUT, struct.pack("=I", _SHORT_READ_MS))
            elif status & _MAV:
                return True
            elif time.monotonic() >= end:
                return False
            else:
                self._never.wait(_POLL)
        return True

    def _receive(self) -> None:
        node = self._opened()
        asked = self._settings.request_bytes
        try:
            data = self._system.read(node, asked)
        except OSError as error:
            if error.errno in _GONE:
                raise self._lost(error) from error
            # Timed out or refused. Newer drivers have aborted by now; older ones must be told.
            self._try(CLEAR_IN_HALT if error.errno == errno.EPIPE else ABORT_BULK_IN)
            if self._given and error.errno != errno.ETIMEDOUT:
                raise broke_off(self.description) from error
            return
        if not data:
            self._never.wait(_POLL)  # an empty answer is none, and must not be asked for in a spin
            return
        self._answered = True
        self._payload += data
        line = data.endswith(_LINE_FEED)
        if self._settings.message_end == "line-feed":
            self._ended = line
            return
        end = len(data) < asked
        if self._knows_end:
            attributes = self._value(MSG_IN_ATTR)
            self._knows_end = attributes is not None
            end = end if attributes is None else bool(attributes & _EOM)
        if end != line and self._has_status:
            # A device that sets EOM always or never: its status byte knows whether more waits.
            status = self._stb()
            end = end if status is None else not status & _MAV
        self._ended = end

    def resync(self) -> None:
        """Abort what was asked for and clear the device's buffers."""
        self._opened()
        self._payload, self._ended, self._given = b"", False, False
        if not self._answered and self._settings.ren == "auto":
            self._assert_remote()
        self._try(ABORT_BULK_IN)
        self._try(CLEAR)

    def status_byte(self) -> int:
        """Read the IEEE 488.2 status byte, by serial poll.

        Raises:
            LinkTimeout: the device has none, or does not send it.
            LinkLost: the device is gone.
        """
        self._opened()
        status = self._stb()
        if status is None:
            raise LinkTimeout(f"{self.description} has no status byte")
        return status

    def close(self) -> None:
        """Give local control back and close the node."""
        node = self._node
        if node is None:
            return
        if self._remote:
            with contextlib.suppress(LinkError):
                self._try(REN_CONTROL, b"\0")
        self._node = None
        with contextlib.suppress(OSError):
            self._system.close(node)

    def _assert_remote(self) -> None:
        if self._can_remote and not self._remote:
            self._remote = self._try(REN_CONTROL, b"\x01") is not None

    def _stb(self) -> int | None:
        return self._value(READ_STB)

    def _value(self, request: int) -> int | None:
        answer = self._try(request, b"\0")
        return None if answer is None else answer[0]

    def _try(self, request: int, argument: bytes = b"") -> bytes | None:
        """Do a request; None where driver or device do not support it or do not answer it."""
        node = self._opened()
        try:
            return self._system.ioctl(node, request, argument)
        except OSError as error:
            if error.errno in _GONE:
                raise self._lost(error) from error
            return None

    def _opened(self) -> int:
        if self._node is None:
            raise LinkError(f"{self.description} is not open")
        return self._node

    def _lost(self, error: OSError) -> LinkLost:
        why = error.strerror or error
        return LinkLost(f"{self.description} went away ({why}); check the cable and the supply")
