"""Frames of a packed stream are believed on two pieces of evidence, not on one."""

import random
from functools import reduce
from operator import xor

from capture.driver import PackedFramer


def fits(frame):
    """A check of one byte that makes the exclusive or of all bytes zero."""
    return reduce(xor, frame) == 0


def frames_of(found):
    return [frame.data for frame in found if frame.damage is None]


def test_one_byte_that_fits_by_chance_is_not_enough():
    """In noise the check fits at one place in 256; two in a row fit at one in 65 536."""
    junk = random.Random(4).randbytes(100_000)
    framer = PackedFramer(8, gap_s=0.05, verify=fits)
    framer.start(0.0)
    found = frames_of(framer.feed(junk, 0.01))
    assert sum(fits(junk[place : place + 8]) for place in range(len(junk) - 7)) > 300
    assert len(found) < 15


def test_a_frame_that_was_cut_is_not_joined_with_the_next_one():
    """Silence within eight bytes that would fit together means that they do not belong together."""
    framer = PackedFramer(4, gap_s=0.05, verify=fits)
    framer.start(0.0)
    found = framer.feed(bytes([1, 2, 3, 0, 5, 6]), 1.0)
    assert fits(bytes([5, 6, 3, 0]))
    found += framer.feed(bytes([3, 0, 9, 10]), 1.2)
    assert frames_of(found) == [bytes([1, 2, 3, 0]), bytes([3, 0, 9, 10])]


def test_a_frame_that_fits_where_it_is_rotated_is_not_taken():
    """Frames that begin alike fit at every rotation; only one of those can be read."""
    frames = [bytes([7, 1, n, 7 ^ 1 ^ n]) for n in range(20)]
    stream = b"".join(frames)[2:]
    rotated = [stream[place : place + 4] for place in range(0, 60, 4)]
    assert all(fits(each) for each in rotated)
    blind = PackedFramer(4, gap_s=0.05, verify=fits)
    blind.start(0.0)
    assert frames_of(blind.feed(stream, 0.01))[:3] == rotated[:3]
    seeing = PackedFramer(4, gap_s=0.05, verify=fits, plausible=lambda frame: frame[0] == 7)
    seeing.start(0.0)
    assert frames_of(seeing.feed(stream, 0.01)) == frames[1:]


def test_silence_makes_the_last_frame_certain():
    """A frame behind junk is given when the next one, or silence, has come."""
    framer = PackedFramer(4, gap_s=0.05, verify=fits)
    framer.start(0.0)
    assert frames_of(framer.feed(bytes([9, 9, 8, 1, 2, 3, 0]), 0.01)) == []
    assert framer.wake_at() == 0.01 + 0.05
    assert frames_of(framer.flush(0.03)) == []
    assert frames_of(framer.flush(0.07)) == [bytes([1, 2, 3, 0])]
    assert framer.wake_at() is None
