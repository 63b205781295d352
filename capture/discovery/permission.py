"""Whether this user may use what is plugged in, and the line that lets them."""

import os
import sys
from pathlib import Path

from capture.discovery.device import Device
from capture.links.permission import USB_GROUP, node_rule, permission_hint, usual_group
from capture.links.usbtmc import faults


def missing_permission(device: Device) -> str:
    """Say on one line what to do so that this user may use ``device``; empty when they may."""
    if sys.platform == "win32" or os.access(device.path, os.R_OK | os.W_OK):
        return ""
    if not Path(device.path).exists():
        return ""  # not there (any more): no matter of permission
    usual = USB_GROUP if device.kind == "usbtmc" else usual_group(device.path)
    return permission_hint(device.path, udev_rule(device), usual)


def udev_rule(device: Device) -> str:
    """Write the udev rule that opens a device to the usual group."""
    if device.vendor is None or device.product is None:
        return node_rule(device.path)
    if device.kind == "usbtmc":
        return faults.udev_rule(device.vendor, device.product)
    return (
        f'SUBSYSTEM=="tty", ATTRS{{idVendor}}=="{device.vendor:04x}", '
        f'ATTRS{{idProduct}}=="{device.product:04x}", '
        f'GROUP="{usual_group(device.path)}", MODE="0660"'
    )
