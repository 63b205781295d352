"""Headers byte by byte. Layout and numbers: USBTMC 1.0 and USB488 1.0 (USB-IF, 2003-04-14).

Written from memory of the two documents; the codes agree with Linux include/uapi/linux/usb/tmc.h.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.links.usbtmc import codec
from capture.links.usbtmc.codec import Capabilities, Header, Request, Status, StatusTags, Tags
from capture.links.usbtmc.incoming import Incoming


def test_a_message_to_the_device_is_header_payload_and_padding():
    """DEV_DEP_MSG_OUT, §3.2.1.1: TransferSize counts the payload alone, EOM is bit 0."""
    assert codec.message_out(0x21, b"*IDN?\n") == bytes.fromhex(
        "01 21 de 00  06 00 00 00  01 00 00 00  2a 49 44 4e 3f 0a  00 00"
    )


def test_a_message_that_goes_on_has_no_eom():
    assert codec.message_out(1, b"abcd", end_of_message=False) == bytes.fromhex(
        "01 01 fe 00  04 00 00 00  00 00 00 00  61 62 63 64"
    )


@pytest.mark.parametrize("length", range(1, 9))
def test_a_transfer_is_a_multiple_of_four_bytes_with_at_most_three_of_padding(length):
    transfer = codec.message_out(1, b"x" * length)
    assert len(transfer) % 4 == 0
    assert 0 <= len(transfer) - 12 - length <= 3
    assert not any(transfer[12 + length :])


def test_a_request_names_the_size_and_no_terminator_unless_told():
    """REQUEST_DEV_DEP_MSG_IN, §3.2.1.2: TermCharEnabled is bit 1, TermChar is byte 9."""
    assert codec.request_in(0xFF, 0x10000) == bytes.fromhex("02 ff 00 00  00 00 01 00  00 00 00 00")
    assert codec.request_in(3, 63, term_char=0x0A) == bytes.fromhex(
        "02 03 fc 00  3f 00 00 00  02 0a 00 00"
    )


def test_tags_run_from_1_to_255_and_never_are_0():
    tags = Tags()
    assert [tags.next() for _ in range(257)] == [*range(1, 256), 1, 2]


def test_tags_of_the_status_byte_run_from_2_to_127():
    """USB488 §4.3.1; 0x81 on the interrupt pipe is a service request, so 1 is not a tag."""
    tags = StatusTags()
    assert [tags.next() for _ in range(128)] == [*range(2, 128), 2, 3]


def test_an_answer_header_is_read():
    data = bytes.fromhex("02 05 fa 00  06 01 00 00  03 00 00 00  31")
    assert Header.parse(data) == Header(2, 5, 0x106, end_of_message=True, ended_by_term_char=True)


@pytest.mark.parametrize(
    "data", ["", "02 05 fa 00 06 00 00 00 01 00 00", "02 05 fb 00 06000000 01 000000",
             "02 00 ff 00 06000000 01 000000"],
    ids=["nothing", "11 bytes", "complement wrong", "tag 0"],
)  # fmt: skip
def test_what_cannot_be_a_header_is_none(data):
    assert Header.parse(bytes.fromhex(data)) is None


def test_codes_are_those_of_the_standard():
    """USBTMC tables 15 and 16, USB488 tables 9 and 10."""
    assert [
        Request.INITIATE_ABORT_BULK_OUT, Request.CHECK_ABORT_BULK_OUT_STATUS,
        Request.INITIATE_ABORT_BULK_IN, Request.CHECK_ABORT_BULK_IN_STATUS,
        Request.INITIATE_CLEAR, Request.CHECK_CLEAR_STATUS, Request.GET_CAPABILITIES,
        Request.READ_STATUS_BYTE, Request.REN_CONTROL, Request.GO_TO_LOCAL,
    ] == [1, 2, 3, 4, 5, 6, 7, 128, 160, 161]  # fmt: skip
    assert [
        Status.SUCCESS, Status.PENDING, Status.INTERRUPT_IN_BUSY, Status.FAILED,
        Status.TRANSFER_NOT_IN_PROGRESS, Status.SPLIT_NOT_IN_PROGRESS, Status.SPLIT_IN_PROGRESS,
    ] == [0x01, 0x02, 0x20, 0x80, 0x81, 0x82, 0x83]  # fmt: skip
    assert (codec.INTERFACE_CLASS, codec.INTERFACE_SUBCLASS) == (0xFE, 0x03)
    assert (codec.TO_INTERFACE, codec.TO_ENDPOINT) == (0xA1, 0xA2)


def capabilities(**bytes_at):
    answer = bytearray(24)
    answer[0] = 1
    for place, value in bytes_at.items():
        answer[int(place[1:])] = value
    return bytes(answer)


@pytest.mark.parametrize(
    ("place", "bit", "name"),
    [
        ("b4", 1, "listen_only"), ("b4", 2, "talk_only"), ("b5", 1, "term_char"),
        ("b14", 2, "remote_local"), ("b15", 4, "service_request"),
    ],
)  # fmt: skip
def test_each_capability_is_one_bit(place, bit, name):
    """USBTMC table 37, USB488 table 8."""
    plain = Capabilities(usb488=True)
    with_it = Capabilities.parse(capabilities(**{place: bit}), usb488=True)
    without = Capabilities.parse(capabilities(**{place: 0xFF ^ bit}), usb488=True)
    assert getattr(with_it, name)
    assert not getattr(without, name)
    assert [field for field in plain.__slots__ if getattr(with_it, field)] == sorted(
        [name, "usb488"], key=plain.__slots__.index
    )


def test_bytes_of_the_subclass_say_nothing_for_a_device_without_it():
    assert Capabilities.parse(capabilities(b14=0xFF, b15=0xFF), usb488=False) == Capabilities()


@pytest.mark.parametrize("answer", [b"", b"\x80" + b"\xff" * 23, b"\x01\0\0"])
def test_a_short_or_failed_answer_offers_nothing(answer):
    assert not Capabilities.parse(answer, usb488=False).term_char


@given(size=st.integers(0, 1 << 20), packet=st.sampled_from([0, 8, 16, 32, 63, 64, 512, 1024]))
def test_a_read_has_room_for_all_and_ends_at_a_packet(size, packet):
    room = codec.transfer_room(size, packet)
    assert room >= 12 + size + 3
    assert room % max(packet, 1) == 0
    assert room % 1024 == 0


def transfer(tag, payload, *, size=None, pad=0):
    size = len(payload) if size is None else size
    return bytes([2, tag, tag ^ 0xFF, 0]) + size.to_bytes(4, "little") + b"\1\0\0\0" + payload + (
        b"\0" * pad
    )  # fmt: skip


@given(payload=st.binary(max_size=60), pad=st.integers(0, 3), data=st.data())
def test_an_answer_comes_out_the_same_however_it_is_cut(payload, pad, data):
    whole = transfer(9, payload, pad=pad)
    cuts = sorted(data.draw(st.sets(st.integers(1, len(whole) - 1), max_size=6)))
    incoming = Incoming(9)
    got = b""
    for start, stop in zip([0, *cuts], [*cuts, len(whole)], strict=True):
        got += incoming.feed(whole[start:stop], short=False)
    assert got == payload
    assert incoming.whole
    assert incoming.as_specified
    assert not incoming.cut_short


def test_more_than_the_header_says_is_dropped():
    incoming = Incoming(1)
    assert incoming.feed(transfer(1, b"12345678", size=4), short=True) == b"1234"
    assert incoming.whole


def test_less_than_the_header_says_is_seen_when_a_short_packet_ends_it():
    incoming = Incoming(1)
    assert incoming.feed(transfer(1, b"1234", size=400), short=True) == b"1234"
    assert (incoming.whole, incoming.cut_short) == (False, True)


def test_a_header_alone_in_a_short_packet_ends_nothing():
    incoming = Incoming(1)
    assert incoming.feed(transfer(1, b"", size=4), short=True) == b""
    assert not incoming.cut_short
    assert incoming.feed(b"1234", short=True) == b"1234"
    assert incoming.whole


def test_noise_is_no_answer():
    with pytest.raises(ValueError, match="no USBTMC header"):
        Incoming(1).feed(b"+1.2345E-01\n\0", short=True)


@pytest.mark.parametrize(
    ("given_", "line_feed", "sent"),
    [
        (b"*IDN?", True, b"*IDN?\n"), (b"*IDN?\n", True, b"*IDN?\n"),
        (b"*IDN?\n", False, b"*IDN?"), (b"*IDN?\r\n", False, b"*IDN?"), (b"*IDN?", False, b"*IDN?"),
    ],
)  # fmt: skip
def test_a_message_ends_as_the_device_wants_it(given_, line_feed, sent):
    assert codec.terminated(given_, line_feed=line_feed) == sent
