"""Which USBTMC device is meant, and which plugged-in one it is."""

import re
from dataclasses import dataclass
from typing import Any, Self

import usb.core
import usb.util

from capture.config import USB_IDENTITY
from capture.errors import LinkOpenError
from capture.links.usbtmc.codec import INTERFACE_CLASS, INTERFACE_SUBCLASS
from capture.links.usbtmc.faults import FOREIGN, explain, forbidden


@dataclass(frozen=True, slots=True)
class UsbIdentity:
    """What a device is found by, in whatever socket it is; None stands for any."""

    vendor: int
    product: int
    serial: str | None
    interface: int | None

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read ``usb:VID:PID[:SERIAL][:INTERFACE]``.

        Raises:
            LinkOpenError: it is none.
        """
        match = re.fullmatch(USB_IDENTITY, text, re.IGNORECASE)
        if match is None:
            raise LinkOpenError(f"{text}: no USB identity; write usb:VID:PID:SERIAL")
        interface = match["interface"]
        return cls(
            int(match["vendor"], 16),
            int(match["product"], 16),
            match["serial"] or None,
            None if interface is None else int(interface),
        )


@dataclass(frozen=True, slots=True)
class Found:
    """A USBTMC interface of a plugged-in device, in pyusb's own objects."""

    device: Any
    configuration: Any
    interface: Any


def find(text: str, backend: Any) -> Found:
    """Find the one interface that ``text`` names.

    Raises:
        LinkOpenError: none, several, no permission to tell, or no libusb on this host.
    """
    identity = UsbIdentity.parse(text)
    try:
        devices = list(
            usb.core.find(
                find_all=True,
                backend=backend,
                idVendor=identity.vendor,
                idProduct=identity.product,
            )
        )
    except FOREIGN as error:
        raise LinkOpenError(explain(text, error)) from error
    if not devices:
        raise LinkOpenError(f"{text}: no such device is plugged in; check cable and supply")
    mine = [device for device in devices if _has_serial(device, identity.serial, text)]
    if not mine:
        raise LinkOpenError(
            f"{text}: {len(devices)} such device(s) plugged in, but none with this serial number"
        )
    if len(mine) > 1:
        raise LinkOpenError(
            f"{text}: {len(mine)} devices answer to this identity; add the serial number"
        )
    return _interface(mine[0], identity, text)


def _has_serial(device: Any, wanted: str | None, text: str) -> bool:
    if wanted is None:
        return True
    try:
        serial = device.serial_number
    except ValueError as error:
        # pyusb's "has no langid": the strings could not be read, nearly always for want of
        # permission.
        raise LinkOpenError(forbidden(text)) from error
    except FOREIGN as error:
        raise LinkOpenError(explain(text, error)) from error
    same = serial is not None and serial.lower() == wanted.lower()
    if not same:
        usb.util.dispose_resources(device)
    return same


def _interface(device: Any, identity: UsbIdentity, text: str) -> Found:
    try:
        found = [
            Found(device, configuration, interface)
            for configuration in device
            for interface in configuration
            if interface.bInterfaceClass == INTERFACE_CLASS
            and interface.bInterfaceSubClass == INTERFACE_SUBCLASS
            and identity.interface in (None, interface.bInterfaceNumber)
        ]
    except FOREIGN as error:
        raise LinkOpenError(explain(text, error)) from error
    numbers = sorted({each.interface.bInterfaceNumber for each in found})
    if not numbers:
        which = "no" if identity.interface is None else f"no interface {identity.interface} of the"
        raise LinkOpenError(
            f"{text}: the device has {which} USBTMC class; it may have to be switched to it in "
            "its menu, or be used as a serial port"
        )
    if len(numbers) > 1:
        listed = ", ".join(map(str, numbers))
        raise LinkOpenError(f"{text}: interfaces {listed} all fit; add one as :{numbers[0]}")
    return found[0]
