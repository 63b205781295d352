"""Framers of packed frames and of lines with binary checksums: what must hold for any stream."""

import itertools

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from capture.driver import CHECKSUMS, CheckedLineFramer, Damage, PackedFramer

MANY = settings(max_examples=2000, deadline=None)

crc = CHECKSUMS["crc-16-modbus"].compute
LENGTH = 9


def framed(body):
    return body + crc(body).to_bytes(2, "little")


def fits(frame):
    return crc(frame[:-2]) == int.from_bytes(frame[-2:], "little")


#: One to eight bodies, drawn as one string of bytes, which is quicker than one by one.
bodies = st.binary(min_size=LENGTH - 2, max_size=8 * (LENGTH - 2)).map(
    lambda data: [data[at : at + LENGTH - 2] for at in range(0, len(data) - LENGTH + 3, LENGTH - 2)]
)
#: Places to cut at, drawn like that as well.
cuts = st.binary(max_size=12).map(list)
junk = st.binary(max_size=40)


def pieces(stream, places):
    places = sorted({0, len(stream), *(place for place in places if place < len(stream))})
    return [stream[a:b] for a, b in itertools.pairwise(places)]


def whole(frames):
    return [frame.data for frame in frames if frame.damage is None]


def run(framer, parts, *, gap=0.0):
    """Feed pieces with a little time between them and silence at the end."""
    now, found = 100.0, []
    framer.start(99.0)
    for part in parts:
        found += framer.feed(part, now)
        now += gap
    return found + framer.flush(now + 10.0)


@given(bodies, cuts)
@MANY
def test_frames_are_found_however_they_are_cut(sent, places):
    """No gap, no junk, any cutting: every frame, and nothing else."""
    frames = [framed(body) for body in sent]
    framer = PackedFramer(LENGTH, gap_s=0.05, verify=fits)
    assert whole(run(framer, pieces(b"".join(frames), places))) == frames


@given(bodies, cuts, st.floats(0, 1))
@MANY
def test_gaps_in_wrong_places_lose_nothing_but_the_frames_they_cut(sent, places, gap):
    """What is given was sent, in its order, whatever silence stands wherever."""
    frames = [framed(body) for body in sent]
    framer = PackedFramer(LENGTH, gap_s=0.05, verify=fits)
    found = whole(run(framer, pieces(b"".join(frames), places), gap=gap))
    rest = iter(frames)
    assert all(frame in rest for frame in found)


@given(bodies, bodies, junk, junk, cuts)
@MANY
def test_frames_around_junk_are_found(before, after, inside, behind, places):
    """Two frames and more behind junk are found; before it, all are.

    In junk a frame may be found by chance, once in 65 536 places: where one is, it is no junk.
    """
    first, second = [framed(b) for b in before], [framed(b) for b in (*after, *after)]
    stream = b"".join(first) + inside + b"".join(second) + behind
    every = {stream[at : at + LENGTH] for at in range(len(stream) - LENGTH + 1)}
    assume({each for each in every if fits(each)} <= {*first, *second})
    framer = PackedFramer(LENGTH, gap_s=0.05, verify=fits)
    found = run(framer, pieces(stream, places))
    good = whole(found)
    assert good[: len(first)] == first
    assert set(second) <= set(good)
    assert b"".join(frame.raw for frame in found) in stream
    assert set(good) <= {*first, *second}


@given(bodies, st.integers(1, LENGTH - 1), st.integers(0, 7))
@MANY
def test_a_damaged_frame_costs_itself_only(sent, place, bit):
    """One bit flipped in the first of several frames: the others are found."""
    frames = [framed(body) for body in (*sent, *sent)]
    damaged = bytearray(b"".join(frames))
    damaged[place] ^= 1 << bit
    framer = PackedFramer(LENGTH, gap_s=0.05, verify=fits)
    found = whole(run(framer, [bytes(damaged)]))
    assert found[-len(frames) + 1 :] == frames[1:]


@given(st.lists(st.binary(max_size=300), max_size=20), st.floats(0, 0.2))
@MANY
def test_memory_stays_bounded_and_bytes_are_never_given_twice(parts, gap):
    """Kept bytes are few, and what is given, good or junk, is the stream in its order."""
    framer = PackedFramer(LENGTH, gap_s=0.05, verify=fits)
    stream, given_back, now = b"".join(parts), b"", 0.0
    framer.start(-1.0)
    for part in parts:
        given_back += b"".join(frame.raw for frame in framer.feed(part, now))
        assert framer.pending <= 256 + 2 * LENGTH
        now += gap
    given_back += b"".join(frame.raw for frame in framer.flush(now + 1))
    assert stream.startswith(given_back)
    assert len(stream) - len(given_back) < 2 * LENGTH


@given(st.lists(st.binary(min_size=1, max_size=24), min_size=1, max_size=12), st.data())
@MANY
def test_without_a_check_only_whole_bursts_are_frames(bursts, data):
    """Bursts between gaps that hold a whole number of frames are cut; all others are junk."""
    framer = PackedFramer(4, gap_s=0.05)
    now, found = 100.0, []
    framer.start(99.0)
    for burst in bursts:
        for part in pieces(burst, data.draw(cuts)):
            found += framer.feed(part, now)
            now += 0.001
        now += 0.1
        found += framer.flush(now)
    expected = [b[i : i + 4] for b in bursts if len(b) % 4 == 0 for i in range(0, len(b), 4)]
    assert whole(found) == expected
    assert {f.damage for f in found} <= {None, Damage.NO_FRAME}


texts = st.lists(
    st.text(st.characters(codec="ascii", exclude_characters="\n\r\x03"), min_size=1, max_size=20),
    min_size=1,
    max_size=8,
)
xor = CHECKSUMS["xor"].compute


@given(texts, cuts)
@MANY
def test_a_check_byte_behind_the_terminator_may_be_any_byte(lines, places):
    """The byte behind the terminator belongs to its line, even if it is a terminator itself."""
    data = [line.encode() for line in lines]
    frames = [each + b"\x03" + bytes([xor(each)]) for each in data]
    framer = CheckedLineFramer(b"\x03", size=1, after=True, verify=lambda _: True, limit=64)
    found = [f for part in pieces(b"".join(frames), places) for f in framer.feed(part)]
    assert [frame.raw for frame in found] == frames
    assert [frame.data for frame in found] == data


@given(texts, cuts)
@MANY
def test_a_binary_checksum_before_the_terminator_may_look_like_one(lines, places):
    """Two CRC bytes of any value stand before the line end, and lines stay whole."""
    data = [line.encode() for line in lines]
    frames = [each + crc(each).to_bytes(2, "big") + b"\n" for each in data]
    framer = CheckedLineFramer(
        b"\n",
        size=2,
        after=False,
        verify=lambda d: len(d) > 2 and crc(d[:-2]) == int.from_bytes(d[-2:], "big"),
        limit=64,
    )
    found = [f for part in pieces(b"".join(frames), places) for f in framer.feed(part)]
    assert [frame.raw for frame in found] == frames


@given(st.lists(st.binary(max_size=300), max_size=10), st.booleans())
@MANY
def test_a_checked_line_framer_keeps_few_bytes(parts, after):
    """Whatever comes, no more than a line and its end are kept."""
    framer = CheckedLineFramer(b"\r\n", size=2, after=after, verify=lambda _: False, limit=32)
    for part in parts:
        framer.feed(part)
        assert framer.pending <= 32 + 6
