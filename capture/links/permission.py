"""What permission is missing to use a device file, and the line that gives it.

One place for all who say it: who lists devices, who opens one, who looks at a configuration.
"""

import os
import stat
import sys
from pathlib import Path

if sys.platform != "win32":
    import grp
    import pwd

#: Group that udev's rules open USB devices to, besides whoever sits at the computer.
USB_GROUP = "plugdev"
RULES_FILE = "/etc/udev/rules.d/70-benchtally.rules"

# Which group may use serial ports differs between systems; the first one that exists is proposed.
_SERIAL_GROUPS = ("dialout", "uucp")
_GROUP_MAY = stat.S_IRGRP | stat.S_IWGRP
_KERNEL_USBTMC = "usbtmc"  # /dev/usbtmcN


def permission_hint(path: str, rule: str = "", usual: str = "") -> str:
    """Say on one line what to do so that this user may use a device file.

    rule, usual: udev's rule and its group, where the device is known better than by its file's
    name.
    """
    if sys.platform == "win32":
        return "run as a user who may use it"
    try:
        status = Path(path).stat()
    except OSError:
        return "run as a user who may use it"
    user = pwd.getpwuid(os.geteuid()).pw_name
    group = _group_of(status)
    if group is None and stat.S_ISSOCK(status.st_mode):
        return "run as a user who may use it"  # whoever listens there decides, and not udev
    if group is None:
        usual = usual or usual_group(path)
        return (
            f"add to {RULES_FILE}: {rule or node_rule(path)} "
            "then run: sudo udevadm control --reload && sudo udevadm trigger, "
            f"and add this user to group {usual} (sudo usermod -aG {usual} {user})"
        )
    if user in grp.getgrnam(group).gr_mem:
        return f"log in again: {user} is in group {group}, but this login began before that"
    return f"add this user to group {group} (sudo usermod -aG {group} {user}), then log in again"


def node_rule(path: str) -> str:
    """Write the udev rule that opens a device file, known by its name alone, to the usual group."""
    name = _name_of(path)
    if name.startswith(_KERNEL_USBTMC):
        what = f'SUBSYSTEM=="usbmisc", KERNEL=="{_KERNEL_USBTMC}[0-9]*"'
    else:
        what = f'SUBSYSTEM=="tty", KERNEL=="{name}"'
    return f'{what}, GROUP="{usual_group(path)}", MODE="0660"'


def usual_group(path: str) -> str:
    """Name the group to which devices of this kind are opened."""
    if _name_of(path).startswith(_KERNEL_USBTMC) or sys.platform == "win32":
        return USB_GROUP
    known = {group.gr_name for group in grp.getgrall()}
    return next((name for name in _SERIAL_GROUPS if name in known), _SERIAL_GROUPS[0])


def _name_of(path: str) -> str:
    return os.path.basename(os.path.realpath(path))  # noqa: PTH119 - of what a link leads to


def _group_of(status: os.stat_result) -> str | None:
    """Give the group whose members may read and write; None where no ordinary group may."""
    if status.st_gid == 0 or status.st_mode & _GROUP_MAY != _GROUP_MAY:
        return None
    try:
        return grp.getgrgid(status.st_gid).gr_name
    except KeyError:
        return None
