"""Serial ports on pseudo-terminals. Those lack DTR and RTS: see test_rfc2217.py for these."""

import contextlib
import errno
import fcntl
import grp
import os
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path
from types import SimpleNamespace

import pytest
import serial

from capture.config import SerialSettings
from capture.errors import LinkError, LinkLost, LinkOpenError, LinkTimeout
from capture.links import interrupt, line, make_link
from capture.links.ports import port_fault

TCGETS2 = 0x802C542A  # asm-generic/ioctls.h: _IOR('T', 0x2A, struct termios2)


@pytest.fixture
def end(far_ends, tmp_path):
    return far_ends.PtyEnd(tmp_path)


def ask(link, query, whole):
    link.write(query + b"\n")
    return whole(link)


def test_questions_and_answers_with_every_byte_value(end, open_link, whole):
    every = bytes(byte for byte in range(256) if byte != 0x0A) + b"\n"
    end.instrument.answers[every[:-1]] = every
    link = open_link(end)
    assert not link.message_based
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    assert ask(link, every[:-1], whole) == every


def test_a_read_gives_what_is_there_up_to_the_limit(end, open_link):
    link = open_link(end)
    end.say(b"abcdef")
    data = b""
    while len(data) < 6:
        part, ended = link.read(4, 1.0)
        assert 1 <= len(part) <= 4
        assert not ended
        data += part
    assert data == b"abcdef"


@pytest.mark.parametrize("timeout", [0.0, 0.05])
def test_nothing_there_takes_no_longer_than_allowed(end, open_link, quickest, timeout):
    link = open_link(end)

    def read():
        assert link.read(10, timeout) == (b"", False)

    assert timeout * 0.9 <= quickest(read) < timeout + 0.1


def test_without_a_waiting_call_the_port_is_read_in_short_turns(
    end, open_link, quickest, monkeypatch
):
    """As on systems that cannot wait for a port."""
    monkeypatch.delattr(interrupt.select, "poll")
    link = open_link(end)

    def read():
        assert link.read(10, 0.1) == (b"", False)

    assert 0.09 < quickest(read, 3) < 0.2
    end.say(b"x")
    assert link.read(10, 1.0) == (b"x", False)


def speed_of(descriptor):
    """Output speed in baud, from struct termios2: four flags, line, 19 characters, two speeds."""
    answer = fcntl.ioctl(descriptor, TCGETS2, bytes(44))
    return struct.unpack("4I20s2I", answer)[6]


@pytest.mark.parametrize("baud", [50, 1200, 9600, 12_345, 115_200])
def test_any_baud_rate_is_set(far_ends, tmp_path, open_link, baud):
    link = open_link(far_ends.PtyEnd(tmp_path, baud=baud))
    assert speed_of(link._port.fileno()) == baud


def test_reading_never_sets_the_port_again(far_ends, tmp_path, open_link, whole, monkeypatch):
    """An unusual baud rate would be programmed anew while bytes come in."""
    link = open_link(far_ends.PtyEnd(tmp_path, baud=12_345))
    settings = []
    monkeypatch.setattr(
        type(link._port), "_reconfigure_port", lambda *_a, **_k: settings.append("again")
    )
    for timeout in (0.0, 0.01, 0.02):
        link.read(10, timeout)
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    link.resync()
    assert settings == []


def test_the_line_is_set_as_configured(far_ends, tmp_path, open_link):
    settings = {"data_bits": 7, "parity": "odd", "stop_bits": 2, "flow": "xon-xoff"}
    link = open_link(far_ends.PtyEnd(tmp_path, **settings))
    input_, _, control, *_ = termios.tcgetattr(link._port.fileno())
    # A pseudo-terminal keeps 8 bits whatever is asked; the rest it remembers.
    assert control & termios.CSTOPB
    assert control & termios.PARODD
    assert input_ & termios.IXON
    assert link._port.bytesize == 7


def test_noise_while_the_lines_settle_is_dropped_and_the_first_question_comes_after(
    far_ends, tmp_path, open_link, whole, quickest
):
    end = far_ends.PtyEnd(tmp_path, settle_s=0.3)
    link = end.make_link()

    def open_anew():
        link.close()
        link.open()

    assert 0.3 <= quickest(open_anew, 2) < 0.6
    link.close()
    noise = far_ends._Thread("noise", lambda _asked: [end.say(b"\x00\xff?") for _ in range(50)])
    began = time.monotonic()
    link.open()
    assert time.monotonic() - began >= 0.3
    noise.end()
    link.resync()
    assert ask(link, b"FETC?", whole) == b"+1.0E+00\n"
    link.close()
    end.close()


def test_a_port_that_vanishes_while_it_settles_is_noticed_at_once(far_ends, tmp_path):
    """Before it would have settled, that is; a busy machine may stall once, and not each time."""
    took = []
    while min(took, default=2.0) >= 2.0 and len(took) < 5:
        took.append(seconds_until_a_vanished_port_is_noticed(far_ends, tmp_path))
    assert min(took) < 2.0, took


def seconds_until_a_vanished_port_is_noticed(far_ends, folder):
    end = far_ends.PtyEnd(folder, settle_s=2.0)
    link = end.make_link()
    make_port = link._make_port

    def open_and_pull():
        port = make_port()
        end.unplug()
        return port

    link._make_port = open_and_pull
    began = time.monotonic()
    with pytest.raises(LinkLost):
        link.open()
    took = time.monotonic() - began
    with pytest.raises(LinkError, match="is not open"):
        link.read(1, 0.0)
    return took


def test_resync_drains_until_quiet(end, open_link, whole, wait_until):
    link = open_link(end)
    link.write(b"FETC?\n")
    end.say(b"late" * 500)
    # The far end answers in a thread of its own, on a busy machine later than a line counts as quiet.
    wait_until(lambda: link._port.in_waiting == len(b"late" * 500 + b"+1.0E+00\n"))
    link.resync()
    assert link.read(10, 0.01) == (b"", False)
    assert ask(link, b"*IDN?", whole) == b"SIMULATED,COUNTER,0,0\n"


def test_resync_leaves_a_port_that_is_never_quiet_after_a_second(end, open_link, monkeypatch):
    link = open_link(end)
    now = 0.0

    def read(_limit, timeout):
        nonlocal now
        now += timeout / 2
        return b"x", False

    monkeypatch.setattr(link, "read", read)
    monkeypatch.setattr(line, "time", SimpleNamespace(monotonic=lambda: now))
    link.resync()
    assert 0.9 < now < 1.5


def test_a_port_that_takes_nothing_is_a_time_out(end, open_link, monkeypatch):
    link = open_link(end)
    end._thread.end()
    end._thread = None
    link._port.write_timeout = 0.1
    with pytest.raises(LinkTimeout, match="does not take data; check flow control"):
        link.write(bytes(1_000_000))
    os.close(end.master)


def test_a_port_that_takes_less_than_all_is_a_time_out(end, open_link, monkeypatch):
    link = open_link(end)
    monkeypatch.setattr(link._port, "write", lambda data: len(data) - 1)
    with pytest.raises(LinkTimeout):
        link.write(b"FETC?\n")


@pytest.mark.parametrize(
    "use",
    [
        lambda link: link.read(10, 0.1),
        lambda link: link.write(b"FETC?\n"),
        lambda link: link.resync(),
    ],
    ids=["read", "write", "resync"],
)
def test_an_unplugged_port_is_lost_whatever_is_done(end, open_link, use):
    link = open_link(end)
    end.unplug()
    with pytest.raises(LinkLost, match="went away; check the cable and the supply"):
        use(link)


@pytest.mark.parametrize(
    "error",
    [
        OSError(5, "Input/output error"),
        termios.error(5, "Input/output error"),
        TypeError("'NoneType' object"),
        ValueError("filedescriptor cannot be a negative integer"),
        serial.SerialException("device reports readiness to read but returned no data (device "
                               "disconnected or multiple access on port?)"),
    ],
)  # fmt: skip
def test_whatever_pyserial_raises_is_a_lost_link(end, open_link, monkeypatch, error):
    """Which of these it is depends on the call and the platform."""
    link = open_link(end)

    def fail(*_arguments):
        raise error

    monkeypatch.setattr(link._port, "read", fail)
    end.say(b"x")
    with pytest.raises(LinkLost, match="went away") as caught:
        link.read(10, 1.0)
    assert ("no other program" in str(caught.value)) == ("multiple access" in str(error))


def test_a_byte_that_came_before_the_port_went_is_not_lost(end, open_link, monkeypatch):
    """Where the port cannot be waited for: else all that is there is read in one go."""
    monkeypatch.delattr(interrupt.select, "poll")
    link = open_link(end)
    calls = []

    class Going(type(link._port)):
        @property
        def in_waiting(self):
            calls.append(1)
            if len(calls) > 1:
                raise OSError(5, "Input/output error")
            return 0

    link._port.__class__ = Going
    end.say(b"\n")
    assert link.read(10, 1.0) == (b"\n", False)
    with pytest.raises(LinkLost):
        link.read(10, 1.0)


# ── opening ──────────────────────────────────────────────────────────────────────────────────────


def opening(settings):
    link = make_link(settings)
    with pytest.raises(LinkOpenError) as caught:
        link.open()
    assert "\n" not in str(caught.value)
    return str(caught.value)


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
