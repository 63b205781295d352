"""Bulk-IN transfers, written out by hand from USBTMC 1.0 (from memory): header of 12 bytes, payload."""

import pytest

from simulators.usbtmc_packets import InRequest, capabilities, transfer_of
from simulators.usbtmc_rules import Departures

RIGHT = Departures()


def request(size=64, *, tag=5, terminator=None):
    return InRequest(tag, size, terminator)


def test_an_answer_that_fits_is_one_short_packet_padded_to_four_bytes():
    made = transfer_of(b"12345", request(), RIGHT, 64)
    head = b"\x02\x05\xfa\x00" + b"\x05\x00\x00\x00" + b"\x01\x00\x00\x00"
    assert made.packets == [head + b"12345\0\0\0"]
    assert (made.taken, made.raw) == (5, False)


def test_what_does_not_fit_stays_and_the_end_of_the_message_is_not_told():
    made = transfer_of(b"123456789", request(4), RIGHT, 64)
    assert made.packets[0][8] == 0
    assert made.packets[0][12:] == b"1234"
    assert made.taken == 4


@pytest.mark.parametrize(("payload", "sizes"), [(4, [16, 0]), (5, [16, 4]), (20, [16, 16, 0])])
def test_a_transfer_of_whole_packets_ends_with_an_empty_one(payload, sizes):
    made = transfer_of(bytes(payload), request(), RIGHT, 16)
    assert [len(packet) for packet in made.packets] == sizes


def test_a_device_that_forgets_the_empty_packet():
    made = transfer_of(bytes(4), request(), Departures(no_short_packet=True), 16)
    assert [len(packet) for packet in made.packets] == [16]


def test_a_terminator_that_was_asked_for_ends_the_transfer():
    made = transfer_of(b"1\n2\n", request(terminator=0x0A), RIGHT, 64)
    assert made.packets[0][8] == 2
    assert made.packets[0][12:14] == b"1\n"
    assert made.taken == 2


def test_raw_continuation_sends_all_of_the_message_under_one_header():
    made = transfer_of(bytes(range(40)), request(16), Departures(raw_continuation=True), 64)
    assert made.raw
    assert made.taken == 40
    assert b"".join(made.packets)[12:] == bytes(range(40))


def test_capabilities_say_no_more_than_there_is():
    plain = capabilities(usb488=False, interrupt=False)
    assert len(plain) == 24
    assert plain[12:] == bytes(12)
    quiet = capabilities(usb488=True, interrupt=False)
    heard = capabilities(usb488=True, interrupt=True)
    assert quiet[15] ^ heard[15] == 0x04
