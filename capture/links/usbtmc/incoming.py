"""One Bulk-IN transfer, put together from what each read gave. Sans-I/O.

A header may come as a packet of its own, the payload in any number of reads, with up to three bytes
of padding behind it; a header may promise more than ever comes.
"""

from capture.errors import LinkLost
from capture.links.usbtmc.codec import HEADER_SIZE, Header, Message

LINE_FEED = b"\n"

_MOST_PADDING = 3


class Incoming:
    """The answer to one REQUEST_DEV_DEP_MSG_IN.

    Attributes:
        tag: bTag of the request.
        header: what the answer said of itself; None until it came.
        whole: all of the payload that the header promised has come.
        cut_short: a short packet ended the transfer before that.
    """

    def __init__(self, tag: int) -> None:
        self.tag = tag
        self.header: Header | None = None
        self.whole = False
        self.cut_short = False
        self._received = 0
        self._partial = b""

    def feed(self, data: bytes, *, short: bool) -> bytes:
        """Take what a read gave, and give the payload in it.

        Args:
            data: bytes as read.
            short: whether they ended in a short packet.

        Raises:
            ValueError: these bytes are no DEV_DEP_MSG_IN transfer.
        """
        if self.header is None:
            data = self._partial + data
            if len(data) < HEADER_SIZE:
                self._partial = data
                return b""
            self.header = Header.parse(data)
            if self.header is None:
                raise ValueError("no USBTMC header")
            data = data[HEADER_SIZE:]
        payload = data[: self.header.size - self._received]  # what follows is padding
        self._received += len(payload)
        self.whole = self._received == self.header.size
        # A header in a packet of its own is short too, and ends nothing.
        self.cut_short = short and not self.whole and self._received > 0
        return payload

    @property
    def foreign(self) -> bool:
        """Whether the answer carries the tag of another request."""
        return self.header is not None and self.header.tag != self.tag

    @property
    def as_specified(self) -> bool:
        """Whether MsgID and bTag are what they must be."""
        header = self.header
        return (
            header is not None
            and header.message == Message.DEV_DEP_MSG_IN
            and header.tag == self.tag
        )


def without_padding(payload: bytearray) -> bytearray | None:
    """Take off the padding that a header with too large a size made part of a line.

    None where it is no line with padding behind it.
    """
    text = payload.rstrip(b"\0")
    if text.endswith(LINE_FEED) and len(payload) - len(text) <= _MOST_PADDING:
        return text
    return None


def broke_off(name: str) -> LinkLost:
    """Make the error for an answer that goes wrong after a part of it was given."""
    return LinkLost(
        f"{name} broke off in the middle of an answer; if it does so again, switch it off and on, "
        "and update its firmware"
    )
