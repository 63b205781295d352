"""A program that has no file left to open: the link says so, keeps nothing, and opens later."""

import errno

import pytest

from capture.errors import LinkOpenError
from capture.links import serial, stream


@pytest.fixture(params=["pty", "tcp", "unix"])
def end(request, far_ends, tmp_path):
    make = {
        "pty": lambda: far_ends.PtyEnd(tmp_path),
        "tcp": far_ends.TcpEnd,
        "unix": lambda: far_ends.UnixEnd(tmp_path),
    }
    made = make[request.param]()
    yield made
    made.close()


def test_without_a_file_for_the_interrupt_the_link_is_not_open_and_is_tried_again(
    end, whole, monkeypatch
):
    """The files run out between those of the port and those that end a wait on it."""

    def none_left():
        raise OSError(errno.EMFILE, "Too many open files")

    link = end.make_link()
    with monkeypatch.context() as patched:
        for module in (serial, stream):
            patched.setattr(module, "Interrupt", none_left)
        with pytest.raises(LinkOpenError, match="Too many open files"):
            link.open()
        link.close()
    link.open()  # a port that was kept would be locked against us
    link.write(b"*IDN?\n")
    assert whole(link).startswith(b"SIMULATED")
    link.close()
