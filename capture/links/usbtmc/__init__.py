"""USBTMC 1.0 with the USB488 subclass: a host of our own, on pyusb.

codec (headers, sans-I/O) ◀ incoming (one answer, sans-I/O) ◀ link
faults ◀ identity ◀ pipes (pyusb ends here) ◀ control (class requests) ◀ link
control ◀ outgoing (one message), concessions (to a silent device) ◀ link
"""

from capture.links.usbtmc.faults import udev_rule
from capture.links.usbtmc.identity import UsbIdentity
from capture.links.usbtmc.link import UsbtmcLink

__all__ = ["UsbIdentity", "UsbtmcLink", "udev_rule"]
