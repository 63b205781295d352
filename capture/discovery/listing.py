"""What is plugged in: serial ports, USB test and measurement devices, and configured paths.

Nothing is opened here, with one exception: where the system does not show a USB serial number in a
file, the device is asked for it once, when it is new.
"""

import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import usb.core
import usb.util
from serial.tools import list_ports

from capture.discovery.device import USB, Device

_BY_PATH = Path("/dev/serial/by-path")
_NODES = Path("/dev")
_SETTLING = 6  # looks after a change that list in full
_ALL_THE_SAME = 20  # of so many looks, one lists in full though nothing has changed
_SYSTEM_USB = Path("/sys/bus/usb/devices")

# Class and subclass of the interface descriptor (USBTMC 1.0 table 43).
_USBTMC = (0xFE, 0x03)

# Everything that pyusb lets through, from a missing libusb to a device that leaves meanwhile.
_USB_FAULTS = (usb.core.USBError, NotImplementedError, ValueError, IndexError, AttributeError)


def serial_devices(comports: Callable[[], Iterable[Any]] | None = None) -> list[Device]:
    """List the serial ports that the system knows, sorted by path."""
    found = (comports or list_ports.comports)()
    return [
        Device(
            kind="serial",
            path=port.device,
            vendor=port.vid,
            product=port.pid,
            serial=_writable(port.serial_number),
            location=port.location or "",
            description=_said(port.description),
            stay=_stay(port.device),
        )
        for port in sorted(found, key=lambda each: str(each.device))
    ]


def _said(description: str | None) -> str:
    """Give what a port says of itself; the library writes `n/a` where it says nothing."""
    return "" if description in (None, "n/a") else description


def usb_devices(backend: Any = None, known: Iterable[Device] = ()) -> list[Device]:
    """List the USB test and measurement devices; ``known`` ones are not asked for their names.

    Raises:
        usb.core.NoBackendError: this host has no libusb, so nothing can be said.
    """
    seen = {(each.path, each.stay): each for each in known}
    devices = []
    for handle in usb.core.find(find_all=True, backend=backend) or ():
        try:
            if not _is_usbtmc(handle):
                continue
            path = f"/dev/bus/usb/{handle.bus:03d}/{handle.address:03d}"
            stay = (handle.bus, handle.address)
            devices.append(seen.get((path, stay)) or _usb_device(handle, path, stay))
        except _USB_FAULTS:
            continue  # it left, or cannot be described: it is not there for us
    return sorted(devices, key=lambda each: each.path)


def configured_paths(
    paths: Iterable[str],
    listed: Iterable[Device],
    known: dict[str, tuple[tuple[int, ...], str]] | None = None,
) -> list[Device]:
    """List those of ``paths`` that are there and that no other list shows.

    ``known`` is kept by whoever asks again and again: where a path led, as long as neither it nor
    what it leads to is another one. Following a path costs ten times as much as seeing that.
    """
    known = {} if known is None else known
    shown = {os.path.realpath(each.path) for each in listed}
    found = []
    for path in dict.fromkeys(paths):
        stay = () if path.lower().startswith(USB) else _stay(path)
        if not stay:
            continue  # not there
        before, real = known.get(path, ((), ""))
        if before != stay:
            real = os.path.realpath(path)
            known[path] = stay, real
        if real not in shown:
            found.append(Device(kind="path", path=path, location=real, stay=stay))
    return found


class Listing:
    """Everything that is plugged in, asked for again and again.

    ``paths`` are those of a configuration. ``comports`` and ``backend`` stand in for the system's
    own lists.
    """

    def __init__(
        self,
        paths: Iterable[str] = (),
        *,
        comports: Callable[[], Iterable[Any]] | None = None,
        backend: Any = None,
        nodes: Path | None = _NODES,
    ) -> None:
        """Take what stands in for the system; ``nodes`` is the folder of its device files."""
        self._paths = tuple(paths)
        self._comports = comports
        self._folder = nodes
        self._nodes: dict[str, int] | None = None
        self._looks = 0  # since the serial ports were listed because something had changed
        self._serial: list[Device] = []
        self._known: dict[str, tuple[tuple[int, ...], str]] = {}
        self._backend = backend
        self._usb: list[Device] = []
        self.without_usb = False
        """No libusb: USB test and measurement devices cannot be listed."""

    def __call__(self) -> list[Device]:
        """List it now."""
        serial = self._serial_devices()
        if not self.without_usb:
            try:
                self._usb = usb_devices(self._backend, self._usb)
            except usb.core.NoBackendError:
                self.without_usb = True
        listed = [*serial, *self._usb]
        return [*listed, *configured_paths(self._paths, listed, self._known)]

    def _serial_devices(self) -> list[Device]:
        """List the serial ports, anew where that may give something else than the last time.

        Listing them costs fifty times what it costs to see that no device file came or went. What
        the system says of a new one may be complete only a moment after the file is there.
        """
        nodes = _device_files(self._folder)
        self._looks += 1
        if nodes is None or nodes != self._nodes:
            self._nodes, self._looks = nodes, 0
        if self._looks <= _SETTLING or self._looks % _ALL_THE_SAME == 0:
            self._serial = serial_devices(self._comports)
        return self._serial


def _device_files(folder: Path | None) -> dict[str, int] | None:
    """Give the device files by name with their inode numbers; None where a system has no such."""
    try:
        return None if folder is None else {each.name: each.inode() for each in os.scandir(folder)}
    except OSError:
        return None


def by_path(path: str, folder: Path = _BY_PATH) -> str | None:
    """Give the link that names the socket of a port; None where there is none."""
    real = os.path.realpath(path)
    try:
        links = sorted(folder.iterdir())
    except OSError:
        return None
    return next((str(link) for link in links if os.path.realpath(link) == real), None)


def _is_usbtmc(handle: Any) -> bool:
    return any(
        (each.bInterfaceClass, each.bInterfaceSubClass) == _USBTMC
        for configuration in handle
        for each in configuration
    )


def _usb_device(handle: Any, path: str, stay: tuple[int, int]) -> Device:
    socket = ".".join(str(number) for number in handle.port_numbers or ())
    location = f"{handle.bus}-{socket}" if socket else ""
    folder = _SYSTEM_USB / location if location else None

    def text(file: str, attribute: str) -> str:
        if folder is not None and folder.is_dir():
            try:
                return (folder / file).read_text("utf-8", "replace").strip()
            except OSError:
                return ""  # the descriptor has none
        try:
            return str(getattr(handle, attribute) or "")
        except _USB_FAULTS:
            return ""  # reading it takes a permission; the report says which
        finally:
            usb.util.dispose_resources(handle)

    maker, product = text("manufacturer", "manufacturer"), text("product", "product")
    return Device(
        kind="usbtmc",
        path=path,
        vendor=handle.idVendor,
        product=handle.idProduct,
        serial=_writable(text("serial", "serial_number")),
        location=location,
        description=" ".join(part for part in (maker, product) if part),
        stay=stay,
    )


def _writable(serial: str | None) -> str:
    """Give a serial number that can stand in a configuration; empty for one that cannot."""
    text = serial or ""
    return text if text.isprintable() and text.strip() == text else ""


def _stay(path: str) -> tuple[int, ...]:
    """Give what changes when a device is put back under the same path."""
    try:
        link, target = os.lstat(path), os.stat(path)  # noqa: PTH116 - twice a second for each path
    except OSError:
        return ()
    return (link.st_ino, target.st_ino, target.st_rdev)
