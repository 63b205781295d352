"""Who has a port open, while descriptors come and go."""

import os
import threading
from contextlib import ExitStack

import pytest

from capture.links import holder


@pytest.fixture
def process(tmp_path):
    """A process as /proc shows it: pseudo-terminal 7's master among descriptors that went away."""
    for kind in ("fd", "fdinfo"):
        (tmp_path / kind).mkdir()
        for number in range(40):
            (tmp_path / kind / str(number)).symlink_to("gone")
    (tmp_path / "stat").write_text("42 (a) b (c) S 41 42 42 0\n")
    return tmp_path


def replace(path, make):
    path.unlink()
    make(path)


@pytest.mark.parametrize("number", [0, 20, 39])
def test_a_descriptor_that_went_away_hides_no_other_one(process, number):
    replace(
        process / "fdinfo" / str(number),
        lambda path: path.write_text("pos:\t0\nflags:\t02100002\ntty-index:\t7\n"),
    )
    assert holder._has_master(process, "7")
    assert not holder._has_master(process, "77")
    replace(process / "fd" / str(number), lambda path: path.symlink_to("/dev/pts/7"))
    assert holder._has_open(process, "/dev/pts/7")
    assert not holder._has_open(process, "/dev/pts/8")


def test_who_has_locked_a_port_holds_it_and_who_only_keeps_it_open_does_not(process):
    """Of those who started the instrument's own program."""
    replace(process / "fd" / "20", lambda path: path.symlink_to("/dev/pts/7"))
    replace(process / "fdinfo" / "20", lambda path: path.write_text("pos:\t0\nflags:\t02100002\n"))
    assert holder._has_open(process, "/dev/pts/7")
    assert not holder._has_open(process, "/dev/pts/7", locked=True)
    with (process / "fdinfo" / "20").open("a") as file:
        file.write("lock:\t1: FLOCK  ADVISORY  WRITE 42 00:1a:6 0 EOF\n")
    assert holder._has_open(process, "/dev/pts/7", locked=True)


def test_who_started_a_process_is_read_behind_its_name(process):
    """A name may hold blanks and brackets."""
    assert holder._parent(process) == "41"
    (process / "stat").write_text("")
    assert holder._parent(process) == ""
    (process / "stat").unlink()
    assert holder._parent(process) == ""


def test_the_number_of_a_terminal_is_read_as_the_kernel_writes_it(process):
    """136:7 is pts/7; minors above 255 stand apart. Source: proc(5), computed."""
    assert holder._terminal(process) == 0
    for number, (major, minor) in {
        "34823": (136, 7), "35071": (136, 255), "1083436": (136, 300),
    }.items():  # fmt: skip
        (process / "stat").write_text(f"42 (a) S 41 42 42 {number} 0\n")
        assert holder._terminal(process) == os.makedev(major, minor)


def test_a_process_that_ended_has_nothing_open(tmp_path):
    assert not holder._has_open(tmp_path / "gone", "/dev/pts/7")
    assert not holder._has_master(tmp_path / "gone", "7")


def test_a_master_is_found_while_its_process_opens_and_closes_files(tmp_path):
    """This process: its list of descriptors is never the same twice."""
    with ExitStack() as files:
        ours, theirs = os.openpty()
        files.callback(os.close, ours)
        files.callback(os.close, theirs)
        stop = threading.Event()

        def churn():
            while not stop.is_set():
                held = [os.open(os.devnull, os.O_RDONLY) for _ in range(50)]
                for each in held:
                    os.close(each)

        thread = threading.Thread(target=churn)
        thread.start()
        files.callback(thread.join)
        files.callback(stop.set)
        number = os.ttyname(theirs).removeprefix("/dev/pts/")
        assert all(holder._has_master(holder.Path("/proc/self"), number) for _ in range(50))
