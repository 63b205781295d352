"""USBTMC: headers, transfers, capabilities, and the link over a device that answers anything.

Only a lost or slow link may be told; what is given was in the payload; every loop ends.
"""

from choices import Choices, cut

from capture.config import UsbtmcSettings
from capture.errors import LinkError
from capture.links.usbtmc.codec import (
    HEADER_SIZE,
    Capabilities,
    Header,
    Tags,
    message_out,
    request_in,
    terminated,
    transfer_room,
)
from capture.links.usbtmc.control import Control
from capture.links.usbtmc.incoming import Incoming
from capture.links.usbtmc.link import UsbtmcLink
from capture.links.usbtmc.pipes import Overflowed, Stalled, TimedOut

MUTATIONS = 1200
_PACKET = 64


def _transfer(payload, tag=1, size=None, attributes=1):
    size = len(payload) if size is None else size
    header = bytes((2, tag, tag ^ 255, 0)) + size.to_bytes(4, "little") + bytes((attributes,) * 4)
    return header + payload


def seeds():
    """Give whole, cut, lying and foreign transfers."""
    transfers = (
        _transfer(b"+8.421E-01\n"),
        _transfer(b"+8.421E-01\n\0\0", size=11),
        _transfer(b"+8.42", size=4000, attributes=0),
        _transfer(b"late\n", tag=9),
        _transfer(b"half", attributes=0) + b"|" + _transfer(b"rest\n", tag=2),
        bytes(24),
        b"\x01" + bytes(3) + b"\x01\x01" + bytes(8) + b"\x02\x04" + bytes(8),
    )
    for kind in range(3):
        for option in range(8):
            for transfer in transfers:
                yield bytes((kind, option, 3)) + transfer


def target(data):
    """Hold one of the three: what is said of a transfer, its assembly, the whole link."""
    choices = Choices(data)
    kind, option, seed = choices.byte() % 3, choices.byte(), choices.byte()
    (_codec, _assembly, _link)[kind](choices.rest(), option, seed)


def _codec(data, option, seed):
    header = Header.parse(data)
    if header is not None:
        assert len(data) >= HEADER_SIZE
        assert 1 <= header.tag <= 255
        assert data[1] ^ data[2] == 255
        assert header.size == int.from_bytes(data[4:8], "little")
    found = Capabilities.parse(data, usb488=bool(option & 1))
    assert option & 1 or not (found.remote_local or found.service_request)
    out = message_out(seed or 1, data)
    assert len(out) % 4 == 0
    assert Header.parse(out).size == len(data)
    assert out[HEADER_SIZE : HEADER_SIZE + len(data)] == data
    assert Header.parse(request_in(seed or 1, len(data), term_char=option)).tag == (seed or 1)
    assert terminated(data, line_feed=True).endswith(b"\n")
    without = terminated(data, line_feed=False)
    assert data in (without, without + b"\n", without + b"\r\n", without + b"\r")
    room = transfer_room(len(data), option)
    assert room >= len(data) + HEADER_SIZE
    tags = Tags()
    assert [tags.next() for _ in range(256)] == [*range(1, 256), 1]


def _assembly(data, option, seed):
    try:
        whole = _fed([data], option)
    except ValueError:
        whole = None
    try:
        pieces = _fed(cut(data, seed), option)
    except ValueError:
        pieces = None
    assert whole == pieces
    if whole is not None and whole[0]:
        assert whole[0] == data[HEADER_SIZE : HEADER_SIZE + len(whole[0])]


def _fed(pieces, option):
    incoming = Incoming(option or 1)
    payload = b"".join(incoming.feed(piece, short=False) for piece in pieces)
    header = incoming.header
    assert header is None or len(payload) <= header.size
    assert incoming.whole == (header is not None and len(payload) == header.size) or not pieces
    return payload, header, incoming.whole, incoming.foreign, incoming.as_specified


class _Never:
    """A wait that no time passes in."""

    def wait(self, _seconds):
        return False


class _Device:
    """Pipes to a device that answers from a script: a piece for each thing that is read."""

    usb488 = True

    def __init__(self, pieces, *, interrupt):
        self._pieces = list(reversed(pieces))
        self.has_interrupt = interrupt
        self.reads = 0

    def _next(self, most):
        self.reads += 1
        assert self.reads < 5000, "a loop over a device that answers does not end"
        if not self._pieces:
            raise TimedOut
        piece = self._pieces.pop()
        if piece == b"!":
            raise Stalled
        if piece == b"?":
            raise TimedOut
        if len(piece) > most:
            raise Overflowed
        return piece

    def room(self, size):
        return transfer_room(size, _PACKET)

    def is_short(self, count):
        return count % _PACKET != 0

    def bulk_out(self, data):
        return len(data)

    def bulk_in(self, room, _timeout):
        return self._next(room)

    def interrupt_in(self, _timeout):
        return self._next(64)

    def to_interface(self, _request, _value, length):
        return self._next(64)[:length]

    to_bulk_in = to_bulk_out = to_interface

    def clear_halt_in(self):
        return None

    clear_halt_out = reset = close = clear_halt_in


def _link(data, option, _seed):
    pieces = data.split(b"|")
    link = UsbtmcLink(
        UsbtmcSettings(
            kind="usbtmc",
            device="usb:1234:5678",
            message_end="line-feed" if option & 1 else "eom",
            wait_for_mav=bool(option & 2),
        )
    )
    device = _Device(pieces, interrupt=bool(option & 4))
    link._pipes = device
    link._control = Control("device", device)
    link._never = link._control._never = _Never()
    link._has_status = bool(option & 8)
    link._capabilities = Capabilities(term_char=bool(option & 16), usb488=bool(option & 8))
    given = b""
    for turn in range(6):
        try:
            got, ended = link.read(7 if option & 32 else 4096, 0.0)
            assert len(got) <= (7 if option & 32 else 4096)
            given += got
            assert not ended or not link._payload
            if turn == 2:
                link.resync()
                assert not link._payload
            if turn == 4:
                assert 0 <= link.status_byte() <= 255
        except LinkError as error:
            assert str(error)
            assert "\n" not in str(error)
    everything = b"".join(pieces)
    assert len(given) <= len(everything)
    assert link._payload is not None
    link.close()
