"""However a stream is cut, and whatever is in it: the same frames, and bounded memory."""

import itertools

from hypothesis import example, given
from hypothesis import strategies as st

from capture.driver import Damage, LineFramer

TERMINATORS = st.sampled_from([None, b"\n", b"\r", b"\r\n", b"\n\r", b"\r\r\n", b"END", b"aab"])
# Few letters, so that terminators and parts of them come up all the time.
STREAMS = st.lists(
    st.sampled_from([b"\r", b"\n", b"a", b"b", b"E", b"N", b"D", b"xyz", b"0123456789", b"\xff"]),
    max_size=60,
).map(b"".join)


def cut(data, places):
    edges = [0, *sorted(place % (len(data) + 1) for place in places), len(data)]
    return [data[a:b] for a, b in itertools.pairwise(edges)]


def frames_of(pieces, terminator, limit):
    framer = LineFramer(terminator=terminator, limit=limit)
    found = []
    for piece in pieces:
        found += framer.feed(piece)
        assert framer.pending <= limit + len(terminator or b"")
    return found, framer


@given(
    data=STREAMS,
    places=st.lists(st.integers(0, 600), max_size=12),
    terminator=TERMINATORS,
    limit=st.integers(1, 12),
)
@example(data=b"12345678901\r\n", places=[12], terminator=b"\r\n", limit=10)
@example(data=b"1234567890\r\n", places=[11], terminator=b"\r\n", limit=10)
def test_any_cutting_gives_the_same_frames(data, places, terminator, limit):
    whole, _ = frames_of([data], terminator, limit)
    assert frames_of(cut(data, places), terminator, limit)[0] == whole
    single = [data[n : n + 1] for n in range(len(data))]
    assert frames_of(single, terminator, limit)[0] == whole


@given(data=STREAMS, terminator=TERMINATORS, limit=st.integers(1, 12))
def test_no_frame_is_longer_than_the_limit_and_none_holds_an_end(data, terminator, limit):
    frames, _ = frames_of([data], terminator, limit)
    for frame in frames:
        assert len(frame.data) <= limit
        assert frame.raw.startswith(frame.data)
        if frame.damage is None:
            ends = [terminator] if terminator else [b"\r", b"\n"]
            assert not any(end in frame.data for end in ends)
            assert frame.raw[len(frame.data) :] in ends
        else:
            assert frame.damage is Damage.TOO_LONG


@given(junk=st.binary(max_size=300), places=st.lists(st.integers(0, 400), max_size=5))
def test_the_good_line_after_any_junk_is_found(junk, places):
    frames, _ = frames_of(cut(junk + b"\nR 842.1 mOhm\r\n", places), None, 64)
    assert frames[-1].data == b"R 842.1 mOhm"
    assert frames[-1].damage is None


@given(
    lines=st.lists(
        st.binary(min_size=1, max_size=20).filter(lambda b: b"\r" not in b and b"\n" not in b),
        max_size=8,
    )
)
def test_good_lines_come_out_as_they_went_in(lines):
    frames, framer = frames_of([b"".join(line + b"\r\n" for line in lines)], None, 20)
    assert [frame.data for frame in frames] == lines
    assert framer.pending == 0
