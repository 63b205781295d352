"""What links take out of the bytes that came: marks of damaged ones, and Telnet around them.

The same comes out however the bytes were cut, nothing is invented, and little is held back.
"""

import contextlib

from choices import Choices, cut

from capture.links.damage import DAMAGED, Marks
from capture.links.telnet import Subnegotiation, TelnetFault, TelnetStream

MUTATIONS = 800


def seeds():
    """Give sound and damaged bytes, and negotiations as a converter has them."""
    streams = (
        b"842.1 mOhm\r\n",
        b"\xff\x00842.1\xff\xff\xff\x00\xff\r\n",
        b"\xff\xfd\x2c8\xff\xfa\x2c\x65\x00\x00\x25\x80\xff\xf0.1\xff\xff\n",
        b"\xff\xfa\x2c\xff\xff\xff\xf0\xff\xf0\xff\xf1",
    )
    for kind in range(2):
        for stream in streams:
            yield bytes((kind, 3)) + stream


def target(data):
    """Take one stream apart twice, whole and in pieces."""
    choices = Choices(data)
    kind, seed = choices.byte() % 2, choices.byte()
    stream = choices.rest()
    (_marks, _telnet)[kind](stream, seed)


def _marks(stream, seed):
    whole, pieces = Marks(), Marks()
    first = whole.taken_out(stream)
    assert first == b"".join(pieces.taken_out(piece) for piece in cut(stream, seed))
    assert len(first) <= len(stream)
    assert set(first) <= set(stream) | set(DAMAGED)
    # What is held back is the beginning of one mark, two bytes at most.
    assert whole.taken_out(b"xyz").endswith(b"yz")
    if b"\xff" not in stream:
        assert first == stream


def _telnet(stream, seed):
    whole, pieces = [], []
    with contextlib.suppress(TelnetFault):
        whole = _apart([stream])
        pieces = _apart(cut(stream, seed))
    assert whole == pieces
    plain = b"".join(each for each in whole if isinstance(each, bytes))
    assert len(plain) <= len(stream)
    assert all(len(each.data) <= 1024 for each in whole if isinstance(each, Subnegotiation))


def _apart(pieces):
    stream, found = TelnetStream(), []
    for piece in pieces:
        for each in stream.feed(piece):
            if isinstance(each, bytes) and found and isinstance(found[-1], bytes):
                found[-1] += each
            else:
                found.append(each)
    return found
