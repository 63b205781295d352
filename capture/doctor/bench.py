"""The configuration, the drivers, and the ports of the instruments. Nothing is opened or sent."""

import os
from collections.abc import Iterator
from pathlib import Path

import usb.core

from capture.config import Config, LinkSettings, SerialSettings, UnixSettings, UsbtmcSettings
from capture.discovery import Device, is_meant, usb_devices
from capture.discovery.permission import missing_permission
from capture.doctor.finding import Finding, look, ok, wrong
from capture.errors import ConfigError, LinkOpenError
from capture.instruments import build_instruments
from capture.journal.beside import lock_of
from capture.links import make_link
from capture.links.holder import holder_of
from capture.links.ports import resolve
from capture.plugins import DriverRegistry

_NOT_THERE = "plug it in or switch it on; `benchtally ports` lists what is there"


def drivers(config: Config | None) -> Iterator[Finding]:
    """Tell which drivers load, and whether the instruments can be made with them."""
    registry = DriverRegistry.load()
    for failure in registry.failures:
        yield wrong(
            f"driver package {failure.name}",
            f"of {failure.distribution}: {failure.reason}",
            "update that package, or remove it",
        )
    if registry.drivers:
        yield ok("drivers", ", ".join(sorted(registry.drivers)))
    if config is None:
        return
    try:
        build_instruments(config, registry)
    except ConfigError as error:
        for fault in error.faults:
            yield wrong("instruments", fault)


def daemon_of(journal: Path) -> int | None:
    """Give the process id of the daemon that runs on this journal; None where none does.

    The lock itself is left alone: taking it, be it for a moment, could keep a daemon from starting.
    """
    try:
        pid = int(lock_of(journal).read_text("ascii"))
    except (OSError, ValueError):
        return None
    if not _runs(pid):
        return None
    try:
        said = Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return pid
    # The number may have gone to another program since.
    return pid if b"benchtally" in said or b"capture.cli" in said else None


def _runs(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except PermissionError:
        return True  # another user's
    except (OSError, OverflowError):
        return False
    return pid > 0


def ports(config: Config, daemon: int | None) -> Iterator[Finding]:
    """Judge the ports of all instruments: there, permitted, and held by whom."""
    for name, instrument in config.instruments.items():
        yield _port(f"instrument {name}", instrument.link, daemon)


def _port(what: str, link: LinkSettings, daemon: int | None) -> Finding:
    match link:
        case SerialSettings():
            try:
                path = resolve(link.port)
            except LinkOpenError as error:
                return look(what, str(error), _NOT_THERE)
            return _path(what, link.port, Device("serial", path), daemon)
        case UsbtmcSettings() if link.device.startswith("/"):
            return _path(what, link.device, Device("path", link.device), daemon)
        case UsbtmcSettings():
            return _usb(what, link.device, daemon)
        case UnixSettings():
            return _path(what, link.path, Device("path", link.path), daemon)
        case _:
            return ok(what, f"{make_link(link).description}: reached over the network, not tried")


def _usb(what: str, identity: str, daemon: int | None) -> Finding:
    try:
        found = [device for device in usb_devices() if is_meant(identity, device)]
    except usb.core.NoBackendError:
        return wrong(
            what,
            f"{identity}: this computer has no libusb, so USB devices cannot be used",
            "install it (Debian: apt install libusb-1.0-0)",
        )
    if not found:
        return look(what, f"{identity}: not plugged in", _NOT_THERE)
    if len(found) > 1:
        return wrong(
            what,
            f"{identity}: {len(found)} devices answer to this",
            "add the serial number to device",
        )
    return _path(what, identity, found[0], daemon)


def _path(what: str, written: str, device: Device, daemon: int | None) -> Finding:
    path = device.path
    said = written if written == path else f"{written} ({path})"
    if not Path(path).exists():
        return look(what, f"{said}: not there", _NOT_THERE)
    hint = missing_permission(device)
    if hint:
        return wrong(what, f"{said}: this user may not use it", hint)
    holder = holder_of(path)
    if holder is None:
        return ok(what, f"{said}: there, permitted, held by nobody")
    if daemon is not None and holder.endswith(f"(process {daemon})"):
        return ok(what, f"{said}: in use by this bench's daemon (process {daemon})")
    return wrong(what, f"{said}: in use by {holder}", "end that program, or give it another port")
