"""The SCPI framer: lines, and blocks that hold line ends."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.driver import Damage, ScpiFramer

_BLOCK = b"#213a\nb\r\n#15\0\xffcd\n"
_ANSWERS = [b"+1.0E0", _BLOCK[:17], b'0,"No error"', b"#H1F", b"#15\n\n\n\n\n"]
_STREAM = b"+1.0E0\n" + _BLOCK[:17] + b"\n" + b'0,"No error"\r\n' + b"#H1F\n" + b"#15\n\n\n\n\n\n"


def frames_of(framer: ScpiFramer, data: bytes, cuts: list[int]) -> list[bytes]:
    found = []
    for start, end in zip([0, *cuts], [*cuts, len(data)], strict=True):
        found += framer.feed(data[start:end])
    return [frame.data for frame in found]


def test_lines_and_blocks_are_told_apart():
    assert frames_of(ScpiFramer(), _STREAM, []) == _ANSWERS


def test_any_one_cut_gives_the_same_frames():
    for cut in range(1, len(_STREAM)):
        assert frames_of(ScpiFramer(), _STREAM, [cut]) == _ANSWERS


@settings(max_examples=2000)
@given(
    st.lists(
        st.sampled_from(
            [b"#", b"2", b"10", b"15", b"\n", b"\r", b"#15ab", b"x", b"#0", b"#9", b","]
        )
        | st.binary(max_size=6),
        max_size=30,
    ),
    st.integers(0, 2**32),
)
def test_any_chunking_of_anything_gives_the_same_frames(pieces, seed):
    data = b"".join(pieces)
    random_ = random.Random(seed)
    framer = ScpiFramer(line_limit=20)
    whole = [(f.data, f.damage) for f in framer.feed(data)]
    whole_rest = framer.reset()
    cuts = sorted(random_.sample(range(1, len(data)), random_.randrange(len(data)))) if data else []
    cut_framer = ScpiFramer(line_limit=20)
    cut = []
    for start, end in zip([0, *cuts], [*cuts, len(data)], strict=True):
        cut += [(f.data, f.damage) for f in cut_framer.feed(data[start:end])]
    assert cut == whole
    assert cut_framer.reset() == whole_rest


def test_a_message_link_ends_a_frame_without_a_line_feed():
    framer = ScpiFramer()
    assert [f.data for f in framer.feed(b"+1.0", end_of_message=True)] == [b"+1.0"]
    assert [f.data for f in framer.feed(b"#15ab", end_of_message=True)] == [b"#15ab"]


@pytest.mark.parametrize("start", [b"#9999999999", b"#6999999"])
def test_a_block_longer_than_any_is_not_waited_for(start):
    framer = ScpiFramer(line_limit=50, block_limit=1000)
    frames = framer.feed(start + b"y" * 60 + b"\n+2\n")
    assert [frame.damage for frame in frames] == [Damage.TOO_LONG, None]
    assert frames[-1].data == b"+2"


def test_memory_is_bounded_whatever_comes():
    framer = ScpiFramer(line_limit=100, block_limit=1000)
    for _ in range(1000):
        framer.feed(b"z" * 100)
    assert len(framer.reset()) <= 200
