"""Bytes that came damaged are not taken for sound ones, and none is left out.

A pseudo-terminal has no parity bit: what a port does with one is as POSIX.1-2017, 11.2.2, says it.
"""

import os
import termios

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.driver import Indication, Malformed
from capture.links import serial as serial_link
from capture.links.damage import DAMAGED, Marks, mark_damage
from capture.links.readback import speeds_of
from drivers.ascii_meter.driver import AsciiMeterOptions, make

LOSING = termios.IGNPAR | termios.BRKINT
MARKING = termios.INPCK | termios.PARMRK


@pytest.fixture
def terminal():
    ours, theirs = os.openpty()
    yield theirs
    os.close(theirs)
    os.close(ours)


def input_modes(descriptor):
    return termios.tcgetattr(descriptor)[0]


@pytest.mark.parametrize("parity", ["none", "even", "odd", "mark", "space"])
def test_nothing_is_left_out_whatever_the_program_before_had_set(terminal, parity):
    modes = termios.tcgetattr(terminal)
    modes[0] |= LOSING
    termios.tcsetattr(terminal, termios.TCSANOW, modes)
    assert mark_damage(terminal, parity) == (parity != "none")
    assert not input_modes(terminal) & LOSING
    assert input_modes(terminal) & MARKING == (0 if parity == "none" else MARKING)


def test_a_rate_of_no_table_stays_where_marks_are_set_behind_it(far_ends, tmp_path, open_link):
    """The modes are read and written back by what knows of rates in tables only."""
    end = far_ends.PtyEnd(tmp_path, baud=12_345)
    other = os.open(end.settings.port, os.O_RDWR | os.O_NOCTTY)
    modes = termios.tcgetattr(other)
    modes[0] |= LOSING  # so that there is something to write
    termios.tcsetattr(other, termios.TCSANOW, modes)
    link = open_link(end)
    assert speeds_of(link._port.fileno()) == (12_345, 12_345)
    assert mark_damage(link._port.fileno(), "even")
    assert speeds_of(link._port.fileno()) == (12_345, 12_345)
    os.close(other)


@pytest.mark.parametrize("cut", range(12))
def test_a_damaged_byte_stands_as_one_that_no_text_has(cut):
    """The 8 of 842.1 came damaged; a sound FF comes twice."""
    came = b"\xff\x00842.1\xff\xff\r\n"
    marks = Marks()
    assert marks.taken_out(came[:cut]) + marks.taken_out(came[cut:]) == DAMAGED + b"42.1\xff\r\n"


@given(st.lists(st.tuples(st.binary(min_size=1, max_size=1), st.booleans())), st.data())
def test_every_byte_is_there_once_however_what_came_is_cut(sent, data):
    came = b"".join(
        b"\xff\0" + byte if damaged else byte.replace(b"\xff", b"\xff\xff")
        for byte, damaged in sent
    )
    marks, read = Marks(), b""
    while came:
        count = data.draw(st.integers(1, len(came)))
        read += marks.taken_out(came[:count])
        came = came[count:]
    assert read == b"".join(DAMAGED if damaged else byte for byte, damaged in sent)


@given(st.binary())
def test_a_port_that_marks_otherwise_loses_nothing_that_is_no_mark(came):
    marks = Marks()
    read = marks.taken_out(came) + marks.taken_out(b"x")
    plain = [byte for byte in came if byte not in (0x00, 0xFF)]
    assert len(read) >= len(plain) - came.count(0xFF)


def test_a_port_with_parity_marks_what_comes_and_the_link_takes_the_marks_out(
    far_ends, tmp_path, open_link, whole, monkeypatch
):
    monkeypatch.setattr(serial_link, "not_taken", lambda *_: [])  # a pseudo-terminal takes none
    end = far_ends.PtyEnd(tmp_path, parity="even")
    every = bytes(byte for byte in range(256) if byte != 0x0A) + b"\n"
    end.instrument.answers[b"EVERY?"] = every
    link = open_link(end)
    assert input_modes(link._port.fileno()) & MARKING == MARKING
    link.write(b"EVERY?\n")
    assert whole(link) == every
    end.say(b"\xff\xff8\n")  # as the terminal gives it: two sound FF
    assert whole(link) == b"\xff\xff8\n"


def test_a_damaged_digit_is_no_reading():
    """Through a driver: 842.1 whose first digit came damaged is no reading, and not 42.1."""
    driver = make(AsciiMeterOptions(profile="resistance-lines"))
    list(driver.outgoing(0.0))
    marks = Marks()
    driver.receive(marks.taken_out(b"R  842.1 mOhm\r\nR  \xff\x00842.1 mOhm\r\n"), False, 10.0)
    assert [type(event) for event in iter(driver.next_event, None)] == [Indication, Malformed]
