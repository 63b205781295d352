"""A USB bus for pyusb, with simulated USBTMC devices plugged into it.

`SimulatedBus` offers the methods of `usb.backend.IBackend`; pass it as `backend=` to
`usb.core.find`. The devices live in this process, so no bus, library or permission is needed.
It is as long as the methods are many that pyusb asks of a backend.
"""

import errno
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import usb.core

from simulators.usb_time import RealTime, Time
from simulators.usbtmc import UsbtmcDevice
from simulators.usbtmc_rules import OverflowedError, StallError

BULK_OUT = 0x01
BULK_IN = 0x82
INTERRUPT_IN = 0x83
# pid.codes gives this pair for tests on one's own bench (from memory); no product has it.
VENDOR = 0x1209
PRODUCT = 0x0001
_ENGLISH = 0x0409
_GET_DESCRIPTOR = 6
_CLEAR_FEATURE = 1
_STRING = 3
_STANDARD_DEVICE_IN = 0x80
_STANDARD_ENDPOINT_OUT = 0x02
_CLASS_REQUESTS = frozenset({0xA1, 0xA2})
_HIGH_SPEED = 3
_FULL_SPEED = 2
_LARGEST_FULL_SPEED = 64
_FOREVER = 3600.0


@dataclass(eq=False)
class UsbPlug:
    """One device in one socket of the bus.

    serial_number: None when the device has none. forbidden: opening it fails for want of
    permission. kernel_driver: a driver holds the interface until it is detached. busy: another
    program has claimed the interface. no_strings: string descriptors cannot be read.
    """

    device: UsbtmcDevice
    socket: int = 1
    serial_number: str | None = "SIM-0001"
    vendor: int = VENDOR
    product: int = PRODUCT
    forbidden: bool = False
    kernel_driver: bool = False
    busy: bool = False
    no_strings: bool = False
    plugged: bool = True
    address: int = field(default=0)


class SimulatedBus:
    """A pyusb backend whose devices are simulated.

    Raises usb.core.USBError with the errno and code of libusb: ETIMEDOUT (-7) when nothing came,
    EPIPE (-9) for a stall, ENODEV (-4) for a device that is gone, EACCES (-3), EBUSY (-6),
    EOVERFLOW (-8) when a packet does not fit into the buffer.
    """

    def __init__(self, *plugs: UsbPlug, clock: Time | None = None) -> None:
        self._time = clock if clock is not None else RealTime()
        self._changed = threading.Condition(threading.RLock())
        self._addresses = 0
        self._plugs: list[UsbPlug] = []
        self._claimed: set[int] = set()
        for plug in plugs:
            self.plug(plug)

    # The hand at the bench -----------------------------------------------------------------------

    def plug(self, plug: UsbPlug) -> None:
        """Put a device into its socket; like on a real bus, it gets a new address each time."""
        with self._changed:
            self._addresses += 1
            plug.address = self._addresses
            plug.plugged = True
            plug.device.reset()
            if plug not in self._plugs:
                self._plugs.append(plug)

    def unplug(self, plug: UsbPlug) -> None:
        """Pull a device out; whoever waits for it gets ENODEV."""
        with self._changed:
            plug.plugged = False
            self._claimed.discard(id(plug))
            self._changed.notify_all()

    def command(self, plug: UsbPlug, line: str) -> str:
        """Do a hand command at the device's instrument."""
        with self._changed:
            if line.strip() in {"unplug", "plug"}:
                (self.unplug if line.strip() == "unplug" else self.plug)(plug)
                return f"ok: {line.strip()}ged"
            answer = plug.device.instrument.command(line, self._time.now())
            self._changed.notify_all()
            return answer

    # Enumeration ---------------------------------------------------------------------------------

    def enumerate_devices(self) -> Iterator["_Stay"]:
        """Yield what is plugged in."""
        with self._changed:
            return iter([_Stay(plug, plug.address) for plug in self._plugs if plug.plugged])

    def get_parent(self, dev: "_Stay") -> None:
        """Return None: the sockets are those of the root hub."""
        del dev

    def get_device_descriptor(self, dev: "_Stay") -> SimpleNamespace:
        """Return the device descriptor (USB 2.0 table 9-8); class 0: see the interface."""
        return SimpleNamespace(
            bLength=18,
            bDescriptorType=1,
            bcdUSB=0x0200,
            bDeviceClass=0,
            bDeviceSubClass=0,
            bDeviceProtocol=0,
            bMaxPacketSize0=64,
            idVendor=dev.plug.vendor,
            idProduct=dev.plug.product,
            bcdDevice=0x0100,
            iManufacturer=1,
            iProduct=2,
            iSerialNumber=3 if dev.plug.serial_number is not None else 0,
            bNumConfigurations=1,
            address=dev.address,
            bus=1,
            port_number=dev.plug.socket,
            port_numbers=(dev.plug.socket,),
            speed=_FULL_SPEED if dev.plug.device.packet <= _LARGEST_FULL_SPEED else _HIGH_SPEED,
        )

    def get_configuration_descriptor(self, dev: "_Stay", config: int) -> SimpleNamespace:
        """Return the only configuration; raise IndexError past it."""
        if config:
            raise IndexError(config)
        endpoints = len(self._endpoints(dev))
        return SimpleNamespace(
            bLength=9,
            bDescriptorType=2,
            wTotalLength=9 + 9 + 7 * endpoints,
            bNumInterfaces=1,
            bConfigurationValue=1,
            iConfiguration=0,
            bmAttributes=0xC0,
            bMaxPower=0,
            extra_descriptors=b"",
        )

    def get_interface_descriptor(
        self, dev: "_Stay", intf: int, alt: int, config: int
    ) -> SimpleNamespace:
        """Return the only interface: class 0xFE, subclass 3, protocol 0 or 1 (USBTMC table 43).

        Raise IndexError past it.
        """
        if intf or alt or config:
            raise IndexError((intf, alt, config))
        return SimpleNamespace(
            bLength=9,
            bDescriptorType=4,
            bInterfaceNumber=0,
            bAlternateSetting=0,
            bNumEndpoints=len(self._endpoints(dev)),
            bInterfaceClass=0xFE,
            bInterfaceSubClass=0x03,
            bInterfaceProtocol=int(dev.plug.device.usb488),
            iInterface=0,
            extra_descriptors=b"",
        )

    def get_endpoint_descriptor(
        self, dev: "_Stay", ep: int, intf: int, alt: int, config: int
    ) -> SimpleNamespace:
        """Return an endpoint; raise IndexError past the last."""
        if intf or alt or config:
            raise IndexError((intf, alt, config))
        address = self._endpoints(dev)[ep]
        interrupt = address == INTERRUPT_IN
        reported = dev.plug.device.departures.reported_packet or dev.plug.device.packet
        return SimpleNamespace(
            bLength=7,
            bDescriptorType=5,
            bEndpointAddress=address,
            bmAttributes=3 if interrupt else 2,
            wMaxPacketSize=2 if interrupt else reported,
            bInterval=8 if interrupt else 0,
            bRefresh=0,
            bSynchAddress=0,
            extra_descriptors=b"",
        )

    def _endpoints(self, dev: "_Stay") -> list[int]:
        return [BULK_OUT, BULK_IN, *([INTERRUPT_IN] if dev.plug.device.interrupt else [])]

    # Opening -------------------------------------------------------------------------------------

    def open_device(self, dev: "_Stay") -> "_Stay":
        """Open the device; raise EACCES when forbidden, ENODEV when gone."""
        self._must_be_there(dev)
        if dev.plug.forbidden:
            raise usb.core.USBError("Access denied (insufficient permissions)", -3, errno.EACCES)
        return dev

    def close_device(self, dev_handle: "_Stay") -> None:
        """Close; claims made through it are given back."""
        self._claimed.discard(id(dev_handle.plug))

    def set_configuration(self, dev_handle: "_Stay", config_value: int) -> None:
        """Accept the only configuration."""
        del config_value
        self._must_be_there(dev_handle)

    def get_configuration(self, dev_handle: "_Stay") -> int:
        """Return 1: configured, as the system does it."""
        self._must_be_there(dev_handle)
        return 1

    def set_interface_altsetting(self, dev_handle: "_Stay", intf: int, altsetting: int) -> None:
        """Accept setting 0."""
        del intf, altsetting
        self._must_be_there(dev_handle)

    def claim_interface(self, dev_handle: "_Stay", intf: int) -> None:
        """Claim; raise EBUSY while a kernel driver or another program holds the interface."""
        del intf
        plug = dev_handle.plug
        self._must_be_there(dev_handle)
        if plug.kernel_driver or plug.busy or id(plug) in self._claimed:
            raise usb.core.USBError("Resource busy", -6, errno.EBUSY)
        self._claimed.add(id(plug))

    def release_interface(self, dev_handle: "_Stay", intf: int) -> None:
        """Give the claim back."""
        del intf
        self._claimed.discard(id(dev_handle.plug))

    def is_kernel_driver_active(self, dev_handle: "_Stay", intf: int) -> bool:
        """Tell whether a kernel driver holds the interface."""
        del intf
        return dev_handle.plug.kernel_driver

    def detach_kernel_driver(self, dev_handle: "_Stay", intf: int) -> None:
        """Take the kernel driver off."""
        del intf
        dev_handle.plug.kernel_driver = False

    def attach_kernel_driver(self, dev_handle: "_Stay", intf: int) -> None:
        """Put the kernel driver back."""
        del intf
        dev_handle.plug.kernel_driver = True

    def reset_device(self, dev_handle: "_Stay") -> None:
        """Reset the port."""
        self._must_be_there(dev_handle)
        dev_handle.plug.device.reset()

    def clear_halt(self, dev_handle: "_Stay", ep: int) -> None:
        """Do CLEAR_FEATURE(ENDPOINT_HALT)."""
        with self._changed:
            self._must_be_there(dev_handle)
            dev_handle.plug.device.clear_halt(bulk_out=ep == BULK_OUT)

    # Transfers -----------------------------------------------------------------------------------

    def ctrl_transfer(
        self,
        dev_handle: "_Stay",
        bmRequestType: int,  # noqa: N803 - pyusb's own names
        bRequest: int,  # noqa: N803 - same
        wValue: int,  # noqa: N803 - same
        wIndex: int,  # noqa: N803 - same
        data: Any,
        timeout: int,
    ) -> int:
        """Do a control transfer; fill `data` and return the count. Raise EPIPE for a stall."""
        del timeout
        with self._changed:
            plug = dev_handle.plug
            self._must_be_there(dev_handle)
            if bmRequestType == _STANDARD_DEVICE_IN and bRequest == _GET_DESCRIPTOR:
                answer = self._string(plug, wValue)
            elif bmRequestType == _STANDARD_ENDPOINT_OUT and bRequest == _CLEAR_FEATURE:
                self.clear_halt(dev_handle, wIndex)
                return 0
            elif bmRequestType in _CLASS_REQUESTS:
                try:
                    answer = plug.device.control(bRequest, wValue, len(data), self._time.now())
                except StallError:
                    raise _stall() from None
            else:
                raise _stall()
            answer = answer[: len(data)]
            data[: len(answer)] = type(data)("B", answer)
            self._changed.notify_all()
            return len(answer)

    def bulk_write(self, dev_handle: "_Stay", ep: int, intf: int, data: Any, timeout: int) -> int:
        """Write to the Bulk-OUT endpoint; raise EPIPE while it is halted."""
        del ep, intf, timeout
        with self._changed:
            self._must_be_there(dev_handle)
            try:
                dev_handle.plug.device.bulk_out(bytes(data), self._time.now())
            except StallError:
                raise _stall() from None
            self._changed.notify_all()
            return len(data)

    def bulk_read(self, dev_handle: "_Stay", ep: int, intf: int, buff: Any, timeout: int) -> int:
        """Read from the Bulk-IN endpoint until the buffer is full or a short packet comes.

        At the time-out, what has come by then is returned, or USBTimeoutError raised for nothing.
        """
        del ep, intf
        device = dev_handle.plug.device
        data = bytearray()
        with self._changed:
            # As in libusb, 0 is no time-out.
            until = self._time.now() + (timeout / 1000 if timeout else _FOREVER)
            while True:
                self._must_be_there(dev_handle)
                now = self._time.now()
                device.work(now)
                try:
                    part, complete = device.bulk_in(len(buff) - len(data))
                except OverflowedError:
                    raise usb.core.USBError("Overflow", -8, errno.EOVERFLOW) from None
                data += part
                if complete or (data and now >= until):
                    buff[: len(data)] = type(buff)("B", bytes(data))
                    return len(data)
                if now >= until:
                    device.read_timed_out()
                    raise _timed_out()
                self._wait(device.wake_at(), now, until)

    def intr_read(self, dev_handle: "_Stay", ep: int, intf: int, size: Any, timeout: int) -> int:
        """Read a packet of the interrupt endpoint; raise USBTimeoutError where none comes."""
        del ep, intf
        device = dev_handle.plug.device
        with self._changed:
            until = self._time.now() + (timeout / 1000 if timeout else _FOREVER)
            while True:
                self._must_be_there(dev_handle)
                now = self._time.now()
                device.work(now)
                packet = device.interrupt_in()
                if packet is not None:
                    if len(packet) > len(size):
                        raise usb.core.USBError("Overflow", -8, errno.EOVERFLOW)
                    size[: len(packet)] = type(size)("B", packet)
                    return len(packet)
                if now >= until:
                    raise _timed_out()
                self._wait(device.wake_at(), now, until)

    # pyusb looks these up on every transfer, whatever its kind.

    def intr_write(self, *_arguments: object) -> int:
        """Raise EPIPE: there is no such endpoint."""
        raise _stall()

    def iso_write(self, *_arguments: object) -> int:
        """Raise EPIPE: there is no such endpoint."""
        raise _stall()

    def iso_read(self, *_arguments: object) -> int:
        """Raise EPIPE: there is no such endpoint."""
        raise _stall()

    def _wait(self, due: float | None, now: float, until: float) -> None:
        """Wait until the instrument is due, something changes, or the time is up."""
        # At least a millisecond: an instrument that is always due must not spin.
        wanted = until - now if due is None else min(max(due - now, 0.001), until - now)
        self._time.wait(self._changed, wanted)

    def _string(self, plug: UsbPlug, value: int) -> bytes:
        """Return a string descriptor (USB 2.0 §9.6.7)."""
        kind, index = value >> 8, value & 0xFF
        texts = {1: "Benchtally", 2: "Simulated instrument", 3: plug.serial_number}
        if kind != _STRING or plug.no_strings:
            raise _stall()
        if index == 0:
            body = _ENGLISH.to_bytes(2, "little")
        else:
            text = texts.get(index)
            if text is None:
                raise _stall()
            body = text.encode("utf-16-le")
        return bytes([len(body) + 2, _STRING]) + body

    def _must_be_there(self, stay: "_Stay") -> None:
        if not stay.plug.plugged or stay.plug.address != stay.address:
            raise usb.core.USBError("No such device", -4, errno.ENODEV)


@dataclass(frozen=True, slots=True)
class _Stay:
    """One stay of a device on the bus, from plugging in to pulling out; also its handle."""

    plug: UsbPlug
    address: int


def _stall() -> Exception:
    error: Exception = usb.core.USBError("Pipe error", -9, errno.EPIPE)
    return error


def _timed_out() -> Exception:
    error: Exception = usb.core.USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT)
    return error
