"""What permission is missing to use a device, and the line that gives it."""

import os
import stat
import sys
from pathlib import Path

from capture.discovery.device import Device
from capture.links.usbtmc import faults

if sys.platform != "win32":
    import grp
    import pwd

RULES_FILE = "/etc/udev/rules.d/70-benchtally.rules"

# Which group may use serial ports differs between systems; the first one that exists is proposed.
_SERIAL_GROUPS = ("dialout", "uucp")
_GROUP_MAY = stat.S_IRGRP | stat.S_IWGRP


def missing_permission(device: Device) -> str:
    """Say on one line what to do so that this user may use ``device``; empty when they may."""
    if sys.platform == "win32" or os.access(device.path, os.R_OK | os.W_OK):
        return ""
    try:
        status = Path(device.path).stat()
    except OSError:
        return ""  # not there (any more): no matter of permission
    user = pwd.getpwuid(os.geteuid()).pw_name
    group = _group_of(status)
    if group is None:
        usual = _usual_group(device)
        return (
            f"add to {RULES_FILE}: {udev_rule(device)} "
            "then run: sudo udevadm control --reload && sudo udevadm trigger, "
            f"and add this user to group {usual} (sudo usermod -aG {usual} {user})"
        )
    if user in grp.getgrnam(group).gr_mem:
        return f"log in again: {user} is in group {group}, but this login began before that"
    return f"add this user to group {group} (sudo usermod -aG {group} {user}), then log in again"


def udev_rule(device: Device) -> str:
    """Write the udev rule that opens a device to the usual group."""
    if device.vendor is None or device.product is None:
        what = f'SUBSYSTEM=="tty", KERNEL=="{Path(device.path).name}"'
    elif device.kind == "usbtmc":
        return faults.udev_rule(device.vendor, device.product)
    else:
        what = (
            f'SUBSYSTEM=="tty", ATTRS{{idVendor}}=="{device.vendor:04x}", '
            f'ATTRS{{idProduct}}=="{device.product:04x}"'
        )
    return f'{what}, GROUP="{_usual_group(device)}", MODE="0660"'


def _group_of(status: os.stat_result) -> str | None:
    """Give the group whose members may read and write; None where no ordinary group may."""
    if status.st_gid == 0 or status.st_mode & _GROUP_MAY != _GROUP_MAY:
        return None
    try:
        return grp.getgrgid(status.st_gid).gr_name
    except KeyError:
        return None


def _usual_group(device: Device) -> str:
    if device.kind == "usbtmc":
        return faults.USB_GROUP
    known = {group.gr_name for group in grp.getgrall()}
    return next((name for name in _SERIAL_GROUPS if name in known), _SERIAL_GROUPS[0])
