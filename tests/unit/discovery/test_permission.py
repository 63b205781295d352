"""Which permission is missing, and the line that gives it."""

import errno
import grp
import os
import pwd
import re
import subprocess
import sys
from pathlib import Path

import pytest

from capture.discovery import Device, report
from capture.discovery.permission import missing_permission, udev_rule
from capture.links.ports import explain_open_failure
from capture.links.usbtmc.faults import forbidden

NOBODY = 65534


def as_nobody(function):
    """Run a function in a child that is not root; give its text."""
    if os.geteuid() != 0:
        return function()
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            os.write(writer, function().encode())
        finally:
            os._exit(0)
    os.close(writer)
    with os.fdopen(reader, "rb") as answer:
        text = answer.read().decode()
    os.waitpid(child, 0)
    return text


@pytest.fixture
def node(tmp_path):
    """A node that only its owner may use; the folders above it are open to all."""
    made = tmp_path / "ttyUSB0"
    made.touch()
    made.chmod(0o600)
    for folder in [tmp_path, *tmp_path.parents]:
        if str(folder).startswith(("/tmp/pytest", "/var/tmp/pytest")):
            folder.chmod(0o755)
    return made


def usb(path, kind="serial"):
    return Device(kind, str(path), 0x0403, 0x6001, "A1")


def test_nothing_is_missing_where_the_port_may_be_used(tmp_path):
    mine = tmp_path / "ttyUSB0"
    mine.touch()
    assert missing_permission(usb(mine)) == ""


def test_a_device_that_is_not_there_is_no_matter_of_permission(tmp_path):
    assert missing_permission(usb(tmp_path / "gone")) == ""


def test_where_a_group_may_use_the_port_the_user_is_to_join_it(node):
    # Root gives the node to dialout and looks as nobody. Anybody else locks the owner out, who
    # then is held to be outside, since the owner's bits come first.
    gid = grp.getgrnam("dialout").gr_gid if os.geteuid() == 0 else os.getegid()
    os.chown(node, -1, gid)
    node.chmod(0o060)
    group = grp.getgrgid(gid).gr_name
    user = "nobody" if os.geteuid() == 0 else pwd.getpwuid(os.geteuid()).pw_name
    hint = as_nobody(lambda: missing_permission(usb(node)))
    assert hint.startswith(f"add this user to group {group} (sudo usermod -aG {group} {user})")
    assert "log in again" in hint


def test_where_nobody_but_root_may_use_it_the_udev_rule_is_given(node):
    node.chmod(0o000)
    hint = as_nobody(lambda: missing_permission(usb(node)))
    assert "/etc/udev/rules.d/70-benchtally.rules" in hint
    assert 'ATTRS{idVendor}=="0403", ATTRS{idProduct}=="6001"' in hint
    assert "udevadm" in hint
    assert "\n" not in hint


def test_the_rules_name_subsystem_and_device_as_udev_does():
    # udev(7): == compares, = assigns; ATTR is the device's own attribute, ATTRS one of a parent's.
    serial, usbtmc = (
        udev_rule(usb("/dev/ttyUSB0")),
        udev_rule(usb("/dev/bus/usb/001/002", "usbtmc")),
    )
    assert serial.startswith('SUBSYSTEM=="tty", ATTRS{idVendor}=="0403"')
    assert usbtmc.startswith('SUBSYSTEM=="usb", ATTR{idVendor}=="0403"')
    assert udev_rule(Device("serial", "/dev/ttyS0")).startswith('SUBSYSTEM=="tty", KERNEL=="ttyS0"')
    assert re.search(r', GROUP="(dialout|uucp)", MODE="0660"\Z', serial)
    assert usbtmc.endswith(', MODE="0660", GROUP="plugdev", TAG+="uaccess"')


def test_whoever_lists_and_whoever_opens_a_usb_device_give_the_same_rule_and_group(node):
    node.chmod(0o000)
    said = as_nobody(lambda: missing_permission(usb(node, "usbtmc")))
    opening = forbidden("usb:0403:6001:A1")
    rule = udev_rule(usb(node, "usbtmc"))
    assert rule in said
    assert opening.endswith(rule)
    assert "sudo usermod -aG plugdev" in said


def test_the_kernels_own_usbtmc_nodes_go_to_the_group_of_usb_devices(node, tmp_path):
    """/dev/usbtmcN is no serial port: examples/udev/70-benchtally.rules opens it to plugdev."""
    rule = udev_rule(Device("path", "/dev/usbtmc0"))
    assert rule == 'SUBSYSTEM=="usbmisc", KERNEL=="usbtmc[0-9]*", GROUP="plugdev", MODE="0660"'
    shipped = (Path(__file__).parents[3] / "examples/udev/70-benchtally.rules").read_text("utf-8")
    assert 'SUBSYSTEM=="usbmisc", KERNEL=="usbtmc[0-9]*", GROUP="plugdev"' in shipped
    held = node.rename(tmp_path / "usbtmc0")
    held.chmod(0o000)
    listed = as_nobody(lambda: missing_permission(Device("path", str(held))))
    opened = as_nobody(lambda: explain_open_failure(str(held), PermissionError(errno.EACCES, "")))
    assert opened == f"{held}: no permission; {listed}"
    assert "sudo usermod -aG plugdev" in listed
    assert "dialout" not in listed


def test_nobody_is_told_to_join_the_group_of_root():
    """Root's own folder stands for a device file that is root's: owner and group are root."""
    said = explain_open_failure("/root", PermissionError(errno.EACCES, ""))
    assert "no permission; add to /etc/udev/rules.d/70-benchtally.rules" in said
    assert "-aG root" not in said


def test_the_report_names_the_program_that_holds_a_port(tmp_path):
    held = tmp_path / "ttyUSB0"
    held.touch()
    code = "import sys; f = open(sys.argv[1]); print('ready', flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-P", "-c", code, str(held)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as child:
        assert child.stdout.readline() == b"ready\n"
        (made,) = report([usb(held)])
        child.stdin.close()
    assert f"(process {child.pid})" in made.holder
    assert report([usb(held)])[0].holder is None
