"""One thing that is plugged in, and the name by which it is found again.

A path such as /dev/ttyUSB0 goes to whichever adapter comes first. What stays with an adapter is its
vendor, product and serial number; cheap ones have no serial number, or all the same one, and then
only the socket tells them apart.
"""

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

USB = "usb:"

Kind = Literal["serial", "usbtmc", "path"]


@dataclass(frozen=True, slots=True)
class Device:
    """One thing that is plugged in; equal as long as it was not taken out and put back.

    Attributes:
        kind: a serial port, a USB test and measurement device, or a configured path that no list
            of the system shows (a link, a pseudo-terminal).
        path: where it is now.
        vendor, product: of the USB descriptor; None where it is no USB device.
        serial: its USB serial number; empty where it has none that can be written down.
        location: USB socket, such as ``1-4.2:1.0``; empty where unknown.
        description: what it says of itself; text from outside.
        stay: changes when it is taken out and put back, as far as the system shows that.
    """

    kind: Kind
    path: str
    vendor: int | None = None
    product: int | None = None
    serial: str = ""
    location: str = ""
    description: str = ""
    stay: tuple[int, ...] = ()

    @property
    def family(self) -> str:
        """``usb:VID:PID``; empty where it is no USB device."""
        if self.vendor is None or self.product is None:
            return ""
        return f"{USB}{self.vendor:04x}:{self.product:04x}"

    @property
    def identity(self) -> str:
        """``usb:VID:PID:SERIAL``, as much of it as there is; the path where there is nothing."""
        return f"{self.family}:{self.serial}" if self.family and self.serial else self.family


@dataclass(frozen=True, slots=True)
class Name:
    """What to write in a configuration, and a remark where that has a catch."""

    text: str
    remark: str = ""


def write_as(
    device: Device, others: Sequence[Device], by_path: Callable[[str], str | None]
) -> Name:
    """Tell what to write for ``device`` so that it is found again, and no other is.

    ``others`` is everything that is plugged in, itself included; ``by_path`` gives the link that
    names the socket of a port.
    """
    if not device.family:
        return Name(device.path)
    alike = [each for each in others if each.kind == device.kind and each.family == device.family]
    same = [each for each in alike if each.identity.lower() == device.identity.lower()]
    if device.serial and len(same) <= 1:
        return Name(device.identity)
    link = by_path(device.path)
    if not device.serial and len(alike) <= 1:
        remark = "it has no serial number, so plug in no second one of its kind"
        return Name(device.family, f"{remark}, or write {link}" if link else remark)
    why = (
        f"{len(same)} devices have the same serial number"
        if device.serial
        else f"{len(alike)} devices of this kind are plugged in, and this one has no serial number"
    )
    if link:
        return Name(link, f"{why}; this name stays with the USB socket, so leave it there")
    return Name(device.path, f"{why}; this path may change: leave only one of them plugged in")


def is_meant(port: str, device: Device) -> bool:
    """Tell whether ``port``, as written in a configuration, may stand for ``device``."""
    if not port.lower().startswith(USB):
        return port == device.path or os.path.realpath(port) == os.path.realpath(device.path)
    wanted, family, identity = port.lower(), device.family.lower(), device.identity.lower()
    # What follows the identity is the number of an interface.
    return bool(family) and (wanted in (family, identity) or wanted.startswith(f"{identity}:"))
