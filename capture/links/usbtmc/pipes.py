"""The three or four pipes of a claimed USBTMC interface. Here pyusb ends.

What a caller can do something about comes out as a `PipeFault`; everything else is a `LinkError`.
"""

import contextlib
import math
from typing import Any

import usb.core
import usb.util

from capture.errors import LinkLost, LinkOpenError
from capture.links.usbtmc.codec import PROTOCOL_USB488, TO_ENDPOINT, TO_INTERFACE, transfer_room
from capture.links.usbtmc.faults import FOREIGN, Kind, explain, kind_of
from capture.links.usbtmc.identity import Found, find


class PipeFault(Exception):
    """A transfer that failed in a way that the protocol has an answer to."""


class TimedOut(PipeFault):
    """Nothing came, or nothing was taken, in time."""


class Stalled(PipeFault):
    """The endpoint is halted, or the device does not know the request."""


class Overflowed(PipeFault):
    """The device sent a packet larger than the buffer; its bytes are lost."""


_FAULTS: dict[Kind, type[PipeFault]] = {
    Kind.TIMEOUT: TimedOut,
    Kind.STALL: Stalled,
    Kind.OVERFLOW: Overflowed,
}
_SHORTEST_MS = 1  # 0 would be no limit


class Pipes:
    """A claimed interface. Used by one thread."""

    def __init__(self, name: str, backend: Any, io_timeout: float) -> None:
        """Find the device and claim its interface.

        Raises:
            LinkOpenError: absent, forbidden or busy; says which and what to do.
        """
        self._name = name
        self._io_timeout = io_timeout
        self._detached = False
        self._out: Any = None  # endpoints, in pyusb's own objects
        self._in: Any = None
        self._interrupt: Any = None
        found = find(name, backend)
        self._device = found.device
        self._number: int = found.interface.bInterfaceNumber
        self.usb488: bool = found.interface.bInterfaceProtocol == PROTOCOL_USB488
        try:
            self._claim(found)
            self._take_endpoints(found.interface)
        except FOREIGN as error:
            self.close()
            if isinstance(error, LinkOpenError):
                raise
            raise LinkOpenError(explain(name, error)) from error

    def _claim(self, found: Found) -> None:
        device = self._device
        try:
            active = device.get_active_configuration().bConfigurationValue
        except usb.core.USBError as error:
            if kind_of(error) is Kind.FORBIDDEN:
                raise
            active = None
        if active != found.configuration.bConfigurationValue:
            # Only when it must be: setting it again resets the device's state.
            device.set_configuration(found.configuration.bConfigurationValue)
        self._detach_kernel_driver()
        usb.util.claim_interface(device, self._number)
        if found.interface.bAlternateSetting:
            found.interface.set_altsetting()

    def _detach_kernel_driver(self) -> None:
        try:
            if not self._device.is_kernel_driver_active(self._number):
                return
        except (NotImplementedError, usb.core.USBError):
            return  # a system without such drivers, or without the question
        try:
            self._device.detach_kernel_driver(self._number)
        except FOREIGN as error:
            raise LinkOpenError(
                f"{self._name}: held by the kernel's usbtmc driver, which does not let go "
                f'({error}); write device = "/dev/usbtmcN" (see /dev/usbtmc*) to go through it'
            ) from error
        self._detached = True

    def _take_endpoints(self, interface: Any) -> None:
        for endpoint in interface:
            inward = bool(endpoint.bEndpointAddress & usb.util.ENDPOINT_IN)
            kind = usb.util.endpoint_type(endpoint.bmAttributes)
            if kind == usb.util.ENDPOINT_TYPE_BULK and inward:
                self._in = self._in or endpoint
            elif kind == usb.util.ENDPOINT_TYPE_BULK:
                self._out = self._out or endpoint
            elif kind == usb.util.ENDPOINT_TYPE_INTR and inward:
                self._interrupt = self._interrupt or endpoint
        if self._out is None or self._in is None:
            raise LinkOpenError(f"{self._name}: a USBTMC interface without both bulk endpoints")

    @property
    def has_interrupt(self) -> bool:
        """Whether there is an Interrupt-IN endpoint."""
        return self._interrupt is not None

    def room(self, size: int) -> int:
        """Give the buffer size for a transfer of ``size`` payload bytes."""
        return transfer_room(size, self._in.wMaxPacketSize)

    def is_short(self, count: int) -> bool:
        """Tell whether so many bytes end in a short packet, which ends a transfer."""
        return bool(count % max(1, self._in.wMaxPacketSize))

    def bulk_out(self, data: bytes) -> int:
        """Send a transfer; give how many bytes were taken."""
        return int(self._do(self._out.write, data, self._milliseconds(self._io_timeout)))

    def bulk_in(self, room: int, timeout: float) -> bytes:
        """Read until a short packet, a full buffer or the time-out, whichever is first.

        Raises:
            TimedOut: not one packet came.
        """
        return bytes(self._do(self._in.read, room, self._milliseconds(timeout)))

    def interrupt_in(self, timeout: float) -> bytes:
        """Read one packet of the interrupt endpoint."""
        room = math.lcm(2, max(1, self._interrupt.wMaxPacketSize))
        return bytes(self._do(self._interrupt.read, room, self._milliseconds(timeout)))

    def to_interface(self, request: int, value: int, length: int) -> bytes:
        """Do a class request to the interface."""
        return self._control(TO_INTERFACE, request, value, self._number, length)

    def to_bulk_out(self, request: int, value: int, length: int) -> bytes:
        """Do a class request to the Bulk-OUT endpoint."""
        return self._control(TO_ENDPOINT, request, value, self._out.bEndpointAddress, length)

    def to_bulk_in(self, request: int, value: int, length: int) -> bytes:
        """Do a class request to the Bulk-IN endpoint."""
        return self._control(TO_ENDPOINT, request, value, self._in.bEndpointAddress, length)

    def clear_halt_out(self) -> None:
        """Do CLEAR_FEATURE(ENDPOINT_HALT) on Bulk-OUT."""
        self._do(self._out.clear_halt)

    def clear_halt_in(self) -> None:
        """Do CLEAR_FEATURE(ENDPOINT_HALT) on Bulk-IN."""
        self._do(self._in.clear_halt)

    def reset(self) -> None:
        """Reset the device as if it had been unplugged; the last resort."""
        with contextlib.suppress(*FOREIGN):
            self._device.reset()

    def close(self) -> None:
        """Give the interface back, to the kernel's driver if it was taken from it."""
        with contextlib.suppress(*FOREIGN):
            usb.util.release_interface(self._device, self._number)
        if self._detached:
            with contextlib.suppress(*FOREIGN):
                self._device.attach_kernel_driver(self._number)
        with contextlib.suppress(*FOREIGN):
            usb.util.dispose_resources(self._device)

    def _control(self, kind: int, request: int, value: int, index: int, length: int) -> bytes:
        timeout = self._milliseconds(self._io_timeout)
        arguments = (kind, request, value, index, length, timeout)
        return bytes(self._do(self._device.ctrl_transfer, *arguments))

    def _do(self, call: Any, *arguments: Any) -> Any:
        try:
            return call(*arguments)
        except FOREIGN as error:
            fault = _FAULTS.get(kind_of(error))
            if fault is not None:
                raise fault from error
            raise LinkLost(
                f"{self._name} went away ({error}); check the cable and the supply"
            ) from error

    @staticmethod
    def _milliseconds(seconds: float) -> int:
        return max(_SHORTEST_MS, math.ceil(seconds * 1000))
