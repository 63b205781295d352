"""Whether the host's clock is synchronised, and that readings carry it."""

import ctypes
import shutil
import subprocess
import sys

import pytest

from capture import clock as module
from capture.clock import ManualClock, SystemClock, host_synchronised

PROGRAM = """
#include <stdio.h>
#include <stddef.h>
#include <sys/timex.h>
int main(void) {
    struct timex t = {0};
    int said = adjtimex(&t);
    printf("%d %d %zu %zu", said < 0, !(t.status & STA_UNSYNC), sizeof t,
           offsetof(struct timex, status));
    return 0;
}
"""


@pytest.mark.skipif(
    sys.platform != "linux" or shutil.which("cc") is None, reason="needs Linux and a C compiler"
)
def test_the_layout_and_the_answer_are_those_of_the_systems_own_header(tmp_path):
    """Held against sys/timex.h as the C compiler sees it."""
    (tmp_path / "ask.c").write_text(PROGRAM)
    subprocess.run(["cc", tmp_path / "ask.c", "-o", tmp_path / "ask"], check=True)
    said = subprocess.run([tmp_path / "ask"], capture_output=True, text=True, check=True).stdout
    refused, synchronised, size, place = map(int, said.split())
    assert host_synchronised() is (None if refused else bool(synchronised))
    assert module._Timex.status.offset == place
    assert ctypes.sizeof(module._Timex) >= size


class Kernel:
    """Stands for the C library; answers as told."""

    def __init__(self, status, result=0):
        self.status, self.result, self.modes = status, result, []

    def adjtimex(self, pointer):
        self.modes.append(pointer._obj.modes)
        pointer._obj.status = self.status
        return self.result


@pytest.mark.parametrize(
    ("kernel", "expected"),
    [
        # linux/timex.h: STA_PLL 0x0001, STA_UNSYNC 0x0040, STA_NANO 0x2000; TIME_ERROR is 5.
        (Kernel(0x2001), True),
        (Kernel(0x0000), True),
        (Kernel(0x0040, 5), False),
        (Kernel(0x2041, 5), False),
        (Kernel(0x0040, -1), None),
    ],
)
def test_the_flag_of_the_kernel_decides_and_nothing_is_set(monkeypatch, kernel, expected):
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(ctypes, "CDLL", lambda _: kernel)
    assert host_synchronised() is expected
    assert kernel.modes == [0], "a mode would set the host's clock"


def test_it_is_not_known_where_nobody_can_be_asked(monkeypatch):
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(ctypes, "CDLL", lambda _: object())
    assert host_synchronised() is None
    monkeypatch.setattr(sys, "platform", "darwin")
    assert host_synchronised() is None


def test_the_kernel_is_asked_once_a_second_at_most(monkeypatch):
    asked, now = [], [100.0]
    monkeypatch.setattr(module, "host_synchronised", lambda: asked.append(1) or len(asked) > 1)
    monkeypatch.setattr(module.time, "monotonic", lambda: now[0])
    clock = SystemClock()
    assert [clock.synchronised() for _ in range(50)] == [False] * 50
    now[0] += 1.0
    assert clock.synchronised() is True
    assert len(asked) == 2


def test_a_manual_clock_says_what_it_is_told_to():
    clock = ManualClock()
    assert clock.synchronised() is None
    clock.says_synchronised = True
    assert clock.synchronised() is True
