"""Cutting lines from a stream: what ends one, what is too long, what is kept."""

import pytest

from capture.driver import CHECKSUMS, CheckedLineFramer, Damage, Frame, LineFramer


def feed_all(framer, pieces):
    return [frame for piece in pieces for frame in framer.feed(piece)]


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n", b"\n\r"])
def test_a_line_ends_at_any_usual_terminator(end):
    frames = LineFramer().feed(b"one" + end + b"two" + end)
    assert [frame.data for frame in frames] == [b"one", b"two"]
    assert all(frame.damage is None for frame in frames)


def test_the_raw_frame_has_its_terminator():
    assert LineFramer().feed(b"one\n") == [Frame(b"one", b"one\n")]
    assert LineFramer(terminator=b"\r\n").feed(b"one\r\n") == [Frame(b"one", b"one\r\n")]


def test_empty_lines_are_passed_over_by_default_and_kept_with_a_terminator():
    assert LineFramer().feed(b"\n\r\n\r\r") == []
    assert LineFramer(terminator=b"\r\n").feed(b"\r\n\r\n") == [Frame(b"", b"\r\n")] * 2


def test_only_the_terminator_asked_for_ends_a_frame():
    assert LineFramer(terminator=b"\r\n").feed(b"a\nb\rc\r\n") == [
        Frame(b"a\nb\rc", b"a\nb\rc\r\n")
    ]


def test_the_end_of_a_message_ends_a_frame():
    framer = LineFramer()
    assert framer.feed(b"one", end_of_message=True) == [Frame(b"one", b"one")]
    assert framer.feed(b"", end_of_message=True) == []
    assert framer.feed(b"two\n", end_of_message=True) == [Frame(b"two", b"two\n")]


def test_the_end_of_a_message_ends_skipping():
    framer = LineFramer(limit=4)
    assert framer.feed(b"too long") == [Frame(b"too ", b"too ", Damage.TOO_LONG)]
    assert framer.feed(b"", end_of_message=True) == []
    assert framer.feed(b"good\n") == [Frame(b"good", b"good\n")]


def test_a_line_of_exactly_the_limit_is_whole_and_one_byte_more_is_not():
    framer = LineFramer(limit=4)
    assert framer.feed(b"abcd\n") == [Frame(b"abcd", b"abcd\n")]
    assert framer.feed(b"abcde\n") == [Frame(b"abcd", b"abcd", Damage.TOO_LONG)]
    assert framer.feed(b"next\n") == [Frame(b"next", b"next\n")]


def test_a_stream_without_an_end_is_reported_once_and_costs_the_limit():
    framer = LineFramer(limit=100)
    frames = feed_all(framer, [b"x" * 999] * 50)
    assert [frame.damage for frame in frames] == [Damage.TOO_LONG]
    assert framer.pending <= 100


def test_reset_gives_back_the_unfinished_frame_and_ends_skipping():
    framer = LineFramer(limit=8)
    framer.feed(b"part")
    assert framer.pending == 4
    assert framer.reset() == b"part"
    assert framer.feed(b"ial\n") == [Frame(b"ial", b"ial\n")]
    framer.feed(b"far too long for it")
    framer.reset()
    assert framer.feed(b"good\n") == [Frame(b"good", b"good\n")]


@pytest.mark.parametrize("wrong", [{"limit": 0}, {"limit": -1}, {"terminator": b""}])
def test_a_framer_that_could_not_work_is_refused(wrong):
    with pytest.raises(ValueError, match="a line framer needs"):
        LineFramer(**wrong)


def checked(size, limit=8):
    """A framer of lines with a checksum before the line end."""

    def fits(data):
        check = CHECKSUMS["xor" if size == 1 else "crc-16-modbus"].compute(data[:-size])
        return len(data) > size and check.to_bytes(size, "little") == data[-size:]

    return CheckedLineFramer(b"\n", size=size, after=False, verify=fits, limit=limit)


@pytest.mark.parametrize("piece", [1, 3, 14, 100])
def test_the_checksum_of_a_line_that_was_too_long_leaves_no_frame(piece):
    """Its checksum byte is a line end as well: of the two, the second ends the line."""
    stream = b"abcdefghijbc\n\n" + b"ok\x04\n"
    framer = checked(1)
    frames = feed_all(framer, [stream[at : at + piece] for at in range(0, len(stream), piece)])
    assert frames == [
        Frame(b"abcdefgh", b"abcdefgh", Damage.TOO_LONG),
        Frame(b"ok\x04", b"ok\x04\n"),
    ]


@pytest.mark.parametrize("check", [b"\nx", b"x\n", b"\n\n"])
@pytest.mark.parametrize("piece", [1, 2, 5])
def test_no_byte_of_such_a_checksum_ends_the_line(check, piece):
    good = b"ok" + CHECKSUMS["crc-16-modbus"].compute(b"ok").to_bytes(2, "little") + b"\n"
    stream = b"far too long for it" + check + b"\n" + good
    framer = checked(2)
    frames = feed_all(framer, [stream[at : at + piece] for at in range(0, len(stream), piece)])
    assert [frame.damage for frame in frames] == [Damage.TOO_LONG, None]
    assert frames[1].raw == good
