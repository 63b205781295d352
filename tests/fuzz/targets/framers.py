"""Framers and checksums: the same frames however a stream is cut, in bounded memory.

The CRCs with polynomial 0x1021 are held against the standard library's, the reflected ones against
the property of a CRC that the remainder over data and checksum is zero.
"""

import binascii

from choices import Choices, cut

from capture.driver import CheckedLineFramer, LineFramer, PackedFramer
from capture.driver.checksums import CHECKSUMS
from capture.driver.framers import Damage, ScpiFramer

MUTATIONS = 1500
LIMIT = 24
_CHECKED_BEFORE = (6, 7)  # of MAKERS


def seeds():
    """Give streams that each framer has frames in."""
    streams = (
        b"one\r\ntwo\n\rthree\n" + b"x" * 40 + b"\nfour\r",
        b"#15ab\ncd\n#0abc\n#H1F\n+1.5E-3\n#3004",
        b"\x02\x0a\x0b\x09\x02\x01\x02\x03\x02\x07\x07\x00" * 3,
        b"abc\x03\x60def\x03\x63",
    )
    for kind in range(12):
        for stream in streams:
            yield bytes((kind, 3)) + stream


def target(data):
    """Cut a stream into frames twice, and sum it up by every checksum."""
    choices = Choices(data)
    kind, seed = choices.byte() % len(MAKERS), choices.byte()
    stream = choices.rest()
    whole = _frames(MAKERS[kind](), [stream])
    pieces = _frames(MAKERS[kind](), cut(stream, seed))
    if kind in _CHECKED_BEFORE:
        # Of a line that was too long the beginning may be gone, and with it what its checksum tells:
        # a byte of it that looks like a line's end is one, and leaves a rest that nobody believes.
        whole, pieces = (
            [f for f in each if f.damage or _agrees(f.data)] for each in (whole, pieces)
        )
    assert list(whole) == list(pieces)
    at = 0
    for frame in whole:
        assert frame.damage is not None or frame.data in stream
        found = stream.find(frame.raw, at)
        assert found >= 0, "frames are not in the stream's order"
        at = found + len(frame.raw)
        if isinstance(MAKERS[kind](), LineFramer) and frame.damage is None:
            assert len(frame.data) <= LIMIT
        assert frame.damage in (None, Damage.TOO_LONG, Damage.NO_FRAME)
    _sums(stream)


def _agrees(data):
    return len(data) > 1 and CHECKSUMS["xor"].compute(data[:-1]) == data[-1]


def _packed(gap, check):
    framer = PackedFramer(4, gap_s=gap, verify=_agrees if check else None)
    framer.start(0.0)
    return framer


MAKERS = (
    lambda: LineFramer(limit=LIMIT),
    lambda: LineFramer(terminator=b"\n", limit=LIMIT),
    lambda: LineFramer(terminator=b"\r\n", limit=LIMIT),
    lambda: LineFramer(terminator=b"aab", limit=LIMIT),
    lambda: CheckedLineFramer(b"\x03", size=1, after=True, verify=_agrees, limit=LIMIT),
    lambda: CheckedLineFramer(b"\r\n", size=2, after=True, verify=_agrees, limit=LIMIT),
    lambda: CheckedLineFramer(b"\n", size=1, after=False, verify=_agrees, limit=LIMIT),
    lambda: CheckedLineFramer(b"\r\n", size=1, after=False, verify=_agrees, limit=LIMIT),
    lambda: ScpiFramer(line_limit=LIMIT, block_limit=64),
    lambda: _packed(0.1, check=True),
    lambda: _packed(None, check=True),
    lambda: _packed(0.1, check=False),
)


def _frames(framer, pieces):
    frames, now = [], 1.0
    packed = isinstance(framer, PackedFramer)
    for piece in pieces:
        frames += framer.feed(piece, now) if packed else framer.feed(piece)
        if isinstance(framer, LineFramer):
            assert framer.pending <= LIMIT + 8
        if packed:
            assert framer.pending <= 2048
    if packed:
        frames += framer.flush(now + 1.0)
    else:
        frames += framer.feed(b"", end_of_message=True)
        assert not framer.reset()
    return _joined(frames)


def _joined(frames):
    """Join what was reported as junk: how much at a time is nobody's concern."""
    joined = []
    for frame in frames:
        last = joined[-1] if joined else None
        if last and last.damage is frame.damage is Damage.NO_FRAME:
            joined[-1] = type(frame)(last.data + frame.data, last.raw + frame.raw, frame.damage)
        else:
            joined.append(frame)
    # Junk at the end may still wait for more of it before it is told.
    if joined and joined[-1].damage is Damage.NO_FRAME:
        joined.pop()
    return joined


def _sums(data):
    for name, known in CHECKSUMS.items():
        value = known.compute(data)
        assert 0 <= value < 1 << 8 * known.size
        if name in ("crc-16-arc", "crc-16-modbus"):
            assert known.compute(data + value.to_bytes(2, "little")) == 0
    assert CHECKSUMS["crc-16-xmodem"].compute(data) == binascii.crc_hqx(data, 0)
    assert CHECKSUMS["crc-16-ccitt-false"].compute(data) == binascii.crc_hqx(data, 0xFFFF)
    assert (CHECKSUMS["sum"].compute(data) + CHECKSUMS["lrc"].compute(data)) % 256 == 0
