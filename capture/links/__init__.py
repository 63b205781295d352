"""Byte paths to instruments. Foreign exceptions become `LinkError` here and nowhere else."""

from capture.config import LinkSettings, SerialSettings, TcpSettings
from capture.links.base import Link
from capture.links.memory import MemoryLink, Wire
from capture.links.ports import PortInfo, serial_ports
from capture.links.serial import SerialLink
from capture.links.tcp import TcpLink

__all__ = [
    "Link",
    "MemoryLink",
    "PortInfo",
    "SerialLink",
    "TcpLink",
    "Wire",
    "make_link",
    "serial_ports",
]


def make_link(settings: LinkSettings) -> Link:
    """Make the link that a configuration describes; it is not opened yet."""
    match settings:
        case SerialSettings():
            return SerialLink(settings)
        case TcpSettings():
            return TcpLink(settings)
