"""Byte paths to instruments. Foreign exceptions become `LinkError` here and nowhere else."""

from capture.config import (
    LinkSettings,
    Rfc2217Settings,
    SerialSettings,
    TcpSettings,
    UnixSettings,
    UsbtmcSettings,
)
from capture.links.base import Interruptible, Link
from capture.links.kernel_usbtmc import KernelUsbtmcLink
from capture.links.memory import MemoryLink, Wire
from capture.links.ports import PortInfo, serial_ports
from capture.links.rfc2217 import Rfc2217Link
from capture.links.serial import SerialLink
from capture.links.tcp import TcpLink
from capture.links.unix import UnixLink
from capture.links.usbtmc import UsbtmcLink

__all__ = [
    "Interruptible",
    "KernelUsbtmcLink",
    "Link",
    "MemoryLink",
    "PortInfo",
    "Rfc2217Link",
    "SerialLink",
    "TcpLink",
    "UnixLink",
    "UsbtmcLink",
    "Wire",
    "make_link",
    "serial_ports",
]


def make_link(settings: LinkSettings) -> Link:
    """Make the link that a configuration describes; it is not opened yet."""
    match settings:
        case SerialSettings():
            return SerialLink(settings)
        case Rfc2217Settings():
            return Rfc2217Link(settings)
        case TcpSettings():
            return TcpLink(settings)
        case UnixSettings():
            return UnixLink(settings)
        case UsbtmcSettings(device=device) if device.startswith("/"):
            return KernelUsbtmcLink(settings)
        case UsbtmcSettings():
            return UsbtmcLink(settings)
