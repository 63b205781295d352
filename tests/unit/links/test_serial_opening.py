"""Opening serial ports: what is refused and how it is said, on pseudo-terminals."""

import contextlib
import errno
import fcntl
import grp
import os
import struct
import subprocess
import sys
import termios
from pathlib import Path

import pytest
import serial

from capture.config import SerialSettings
from capture.errors import LineRefused, LinkLost, LinkOpenError
from capture.links import make_link, readback
from capture.links.ports import port_fault

TCGETS2 = 0x802C542A  # asm-generic/ioctls.h: _IOR('T', 0x2A, struct termios2)


@pytest.fixture
def end(far_ends, tmp_path):
    return far_ends.PtyEnd(tmp_path)


def ask(link, query, whole):
    link.write(query + b"\n")
    return whole(link)


def opening(settings):
    link = make_link(settings)
    with pytest.raises(LinkOpenError) as caught:
        link.open()
    said = str(caught.value)
    assert "\n" not in said
    assert isinstance(caught.value, LineRefused) == ("does not take" in said)
    return said


def test_a_character_is_asked_for_as_configured(end, monkeypatch):
    """A pseudo-terminal keeps eight bits without parity whatever is asked: see what is asked."""
    asked = []
    monkeypatch.setattr(termios, "tcsetattr", lambda _port, _when, modes: asked.append(modes[2]))
    opening(end.settings.model_copy(update={"data_bits": 7, "parity": "odd"}))
    assert asked[0] & termios.CSIZE == termios.CS7
    assert asked[0] & termios.PARENB
    assert asked[0] & termios.PARODD
    end.close()


def test_an_absent_port_is_said(tmp_path):
    assert "no such port; plug it in" in opening(SerialSettings(port=str(tmp_path / "none")))


def test_a_file_that_is_no_port_is_said(tmp_path):
    path = tmp_path / "file"
    path.write_bytes(b"")
    assert "will not open" in opening(SerialSettings(port=str(path)))


def test_a_port_that_cannot_be_set_so_says_how_it_was_to_be_set(tmp_path, monkeypatch):
    """Seven bits with parity at a port that has eight without: Linux says "invalid argument"."""

    def refuse(self):
        raise termios.error(errno.EINVAL, "Invalid argument")

    monkeypatch.setattr(serial.Serial, "open", refuse)
    path = tmp_path / "port"
    said = opening(SerialSettings(port=str(path), baud=2400, data_bits=7, parity="even"))
    assert said.startswith(
        f"{path}: does not take 2400 baud, 7 data bits, parity even, stop bits 1, flow none; "
        "try 8 data bits without parity"
    )


@pytest.mark.parametrize(
    "character",
    [{"data_bits": 7, "parity": "even"}, {"data_bits": 7}, {"parity": "odd"}, {"parity": "mark"}],
)
def test_a_port_that_lacks_it_refuses_a_character_the_first_time_as_the_second(end, character):
    """The first time there is something else to set, and Linux says that all is well."""
    settings = end.settings.model_copy(update=character)
    said = [opening(settings) for _ in range(3)]
    assert len(set(said)) == 1
    assert (
        f"does not take 9600 baud, {settings.data_bits} data bits, parity {settings.parity}"
        in (said[0])
    )
    assert "try 8 data bits without parity" in said[0]
    end.close()


def drop(monkeypatch, place, flag):
    """Have every port forget one of its flags, without a word."""
    get = termios.tcgetattr

    def without(port):
        modes = get(port)
        modes[place] &= ~flag
        return modes

    monkeypatch.setattr(termios, "tcgetattr", without)


@pytest.mark.parametrize(
    ("settings", "place", "flag", "name"),
    [
        ({"flow": "rts-cts"}, 2, termios.CRTSCTS, "flow"),
        ({"flow": "xon-xoff"}, 0, termios.IXON, "flow"),
        ({"stop_bits": 2}, 2, termios.CSTOPB, "stop_bits"),
    ],
)
def test_what_else_a_port_does_not_take_is_named(
    end, open_link, monkeypatch, settings, place, flag, name
):
    end.settings = end.settings.model_copy(update=settings)
    open_link(end).close()
    drop(monkeypatch, place, flag)
    said = opening(end.settings)
    assert f": does not take {name} of 9600 baud, 8 data bits" in said
    assert "another adapter" in said


def test_flow_control_of_which_the_system_knows_nothing_is_refused(end, monkeypatch):
    """On such a system pyserial leaves it out without a word."""
    monkeypatch.delattr(termios, "CRTSCTS")
    said = opening(end.settings.model_copy(update={"flow": "rts-cts"}))
    assert ": does not take flow of 9600 baud" in said
    end.close()


@pytest.mark.parametrize(
    "line",
    [
        {"baud": baud, "stop_bits": stop_bits, "flow": flow}
        for baud in (300, 12_345, 250_000, 4_000_000)
        for stop_bits, flow in ((1, "none"), (1.5, "xon-xoff"), (2, "rts-cts"))
    ],
)
def test_any_rate_with_any_stop_bits_and_flow_control_is_taken_time_after_time(end, line):
    """What the port before was set to, a rate of no table too, is no reason to refuse it."""
    with contextlib.closing(end):
        for settings in (line, {}, line, line):
            link = make_link(end.settings.model_copy(update=settings))
            link.open()
            link.close()


@pytest.mark.parametrize(
    ("speed", "taken"), [(9600, True), (9800, True), (10_200, False), (0, False)]
)
def test_a_rate_that_the_port_sets_near_by_is_taken_where_characters_can_be_read(
    end, monkeypatch, speed, taken
):
    """More than half a bit in nine and a half: computed."""
    ioctl = fcntl.ioctl

    def other(port, request, *given):
        answer = ioctl(port, request, *given)
        if request == TCGETS2:
            answer = answer[:36] + struct.pack("2I", speed, speed)
        return answer

    monkeypatch.setattr(readback.fcntl, "ioctl", other)
    link = end.make_link()
    if taken:
        link.open()
        link.close()
    else:
        said = opening(end.settings)
        assert "does not take baud of 9600 baud" in said
        assert f", and stays at {speed} baud; choose" in said
    end.close()


def test_an_adapter_that_is_not_plugged_in_is_said():
    assert "no such adapter is plugged in" in opening(SerialSettings(port="usb:1209:0001:NONE"))


HOLD = """
import serial, sys
port = serial.Serial(sys.argv[1], exclusive=True)
print("held", flush=True)
sys.stdin.read()
"""


def test_a_busy_port_names_the_program_that_holds_it(end):
    port = end.settings.port
    command = [sys.executable, "-P", "-c", HOLD, port]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout.readline() == "held\n"
        says = opening(end.settings)
        name = Path(f"/proc/{holder.pid}/comm").read_text().strip()
        holder.stdin.close()
    assert f"in use by {name} (process {holder.pid}); end that program" in says
    end.close()


BOTH_ENDS = """
import os, sys
ours, theirs = os.openpty()
print(os.ttyname(theirs), flush=True)
sys.stdin.read()
"""


def test_who_speaks_for_a_simulated_instrument_does_not_hold_its_port():
    """A simulator keeps both ends of its pseudo-terminal open; a rival beside it is still named."""
    command = [sys.executable, "-P", "-c", BOTH_ENDS]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as speaker:
        port = speaker.stdout.readline().strip()
        assert port_fault(port) is None
        with subprocess.Popen(
            [sys.executable, "-P", "-c", HOLD, port],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as rival:
            assert rival.stdout.readline() == "held\n"
            assert f"(process {rival.pid})" in port_fault(port)
            rival.stdin.close()
        speaker.stdin.close()


def test_a_port_that_another_instrument_of_this_program_has_is_busy(end, open_link):
    open_link(end)
    assert "in use by another instrument of this program" in opening(end.settings)


WORKS_AT = """
import fcntl, os, sys, termios
ours, theirs = os.openpty()
fcntl.ioctl(theirs, termios.TIOCSCTTY, 0)
print(os.ttyname(theirs), flush=True)
if os.fork() == 0:
    os.close(ours)
    sys.stdin.read()
    os._exit(0)
os.set_blocking(0, True)
os.wait()
"""


def test_a_terminal_that_somebody_works_at_is_left_alone(tmp_path):
    """A link of an instrument that is gone, whose number a new window got."""
    with subprocess.Popen(
        [sys.executable, "-P", "-c", WORKS_AT],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as window:
        terminal = window.stdout.readline().strip()
        descriptor = os.open(terminal, os.O_RDONLY | os.O_NOCTTY)
        before = termios.tcgetattr(descriptor)
        link = tmp_path / "ohm.port"
        link.symlink_to(terminal)
        said = opening(SerialSettings(port=str(link)))
        assert said.startswith(f"{link} leads to {terminal}, which is the terminal of ")
        assert "no instrument's; name the instrument's port" in said
        assert port_fault(str(link)) == said
        assert termios.tcgetattr(descriptor) == before, "nothing of it was set"
        os.close(descriptor)
        window.stdin.close()


FORBIDDEN = """
import grp, os, sys
from capture.config import SerialSettings
from capture.errors import LinkOpenError
from capture.links import make_link
from capture.links.ports import port_fault
if os.geteuid() == 0:  # nobody may be unable to import what root installed, so only now
    os.setgroups([])
    os.setgid(65534)
    os.setuid(65534)
try:
    make_link(SerialSettings(port=sys.argv[1])).open()
except LinkOpenError as error:
    print(error)
print(port_fault(sys.argv[1]))
"""


def test_a_port_that_this_user_may_not_open_says_which_group_to_join():
    """In a child that is not root, or root's rights would open it anyway."""
    master, slave = os.openpty()
    path = os.ttyname(slave)
    if os.geteuid() == 0:
        os.chown(path, -1, grp.getgrnam("dialout").gr_gid)
    Path(path).chmod(0o060)  # its group may; anybody else, and the owner too, may not
    group = Path(path).group()
    child = subprocess.run(
        [sys.executable, "-P", "-c", FORBIDDEN, path],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    os.close(slave)
    os.close(master)
    assert child.stderr == ""
    opened, checked = child.stdout.splitlines()
    for says in (opened, checked):
        assert f"{path}: no permission; add this user to group {group}" in says


def test_two_programs_that_keep_to_the_lock_do_not_share_a_port(end, open_link):
    open_link(end)
    with pytest.raises(serial.SerialException, match="exclusively lock"):
        serial.Serial(end.settings.port, exclusive=True)


def test_a_failed_opening_leaves_no_descriptor_open(end, open_link):
    open_link(end)
    before = len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(5):
        opening(end.settings)
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_a_name_is_looked_up_anew_at_each_opening(end, whole):
    """The link by which a port is named points elsewhere after it was plugged in again."""
    seen = set()
    with contextlib.closing(end):
        for cycle in range(1, 21):
            link = end.make_link()
            link.open()
            seen.add(os.path.realpath(end.settings.port))
            assert ask(link, b"FETC?", whole) == b"%+d.0E+00\n" % cycle
            end.unplug()
            with pytest.raises(LinkLost):
                link.read(10, 1.0)
            link.close()
            with pytest.raises(LinkOpenError, match="no such port"):
                end.make_link().open()
            end.plug()
    assert seen
