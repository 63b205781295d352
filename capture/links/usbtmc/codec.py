"""USBTMC 1.0 and USB488 1.0 on the wire: headers, tags, status codes, capabilities. Sans-I/O.

Sources: USB-IF, "Universal Serial Bus Test and Measurement Class Specification (USBTMC)"
revision 1.0, and its "Subclass USB488 Specification" revision 1.0, both of 2003-04-14. Section and
table numbers are from memory; the codes were compared with Linux' ``include/uapi/linux/usb/tmc.h``.

Every Bulk transfer begins with 12 bytes, numbers little-endian::

    MsgID  bTag  ~bTag  0   TransferSize (4)   bmTransferAttributes  TermChar  0  0
"""

import math
import struct
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Self

HEADER_SIZE = 12

#: Class and subclass of a USBTMC interface (USBTMC table 43); the protocol says whether USB488 too.
INTERFACE_CLASS = 0xFE
INTERFACE_SUBCLASS = 0x03
PROTOCOL_USB488 = 0x01

#: bmRequestType of the class requests: device to host, to an interface or to an endpoint.
TO_INTERFACE = 0xA1
TO_ENDPOINT = 0xA2

_HEADER = struct.Struct("<BBBxIBBxx")
_LARGEST_TAG = 255
_STATUS_TAGS = range(2, 128)
_ALIGNMENT = 4
_COMPLEMENT = 0xFF


class Message(IntEnum):
    """MsgID (USBTMC table 2)."""

    DEV_DEP_MSG_OUT = 1
    DEV_DEP_MSG_IN = 2
    """Both the host's request for it and the device's answer."""


class Attribute(IntFlag):
    """bmTransferAttributes (USBTMC tables 3, 4 and 9)."""

    EOM = 1
    """DEV_DEP_MSG_OUT and DEV_DEP_MSG_IN: the last byte ends the message."""
    TERM_CHAR = 2
    """Asked for: end the transfer at TermChar. Answered: it did."""


class Request(IntEnum):
    """bRequest (USBTMC table 15, USB488 table 9)."""

    INITIATE_ABORT_BULK_OUT = 1
    CHECK_ABORT_BULK_OUT_STATUS = 2
    INITIATE_ABORT_BULK_IN = 3
    CHECK_ABORT_BULK_IN_STATUS = 4
    INITIATE_CLEAR = 5
    CHECK_CLEAR_STATUS = 6
    GET_CAPABILITIES = 7
    READ_STATUS_BYTE = 128
    REN_CONTROL = 160
    GO_TO_LOCAL = 161


class Status(IntEnum):
    """USBTMC_status (USBTMC table 16, USB488 table 10)."""

    SUCCESS = 0x01
    PENDING = 0x02
    INTERRUPT_IN_BUSY = 0x20
    FAILED = 0x80
    TRANSFER_NOT_IN_PROGRESS = 0x81
    SPLIT_NOT_IN_PROGRESS = 0x82
    SPLIT_IN_PROGRESS = 0x83


class Tags:
    """Counts bTag: 1 to 255 and again from 1, never 0 (USBTMC §3.2)."""

    def __init__(self) -> None:
        self._last = 0

    def next(self) -> int:
        """Give the next tag."""
        self._last = self._last % _LARGEST_TAG + 1
        return self._last


class StatusTags:
    """Counts the bTag of READ_STATUS_BYTE: 2 to 127 (USB488 §4.3.1); 1 marks a service request."""

    def __init__(self) -> None:
        self._last = _STATUS_TAGS[-1]

    def next(self) -> int:
        """Give the next tag."""
        self._last = self._last + 1 if self._last + 1 in _STATUS_TAGS else _STATUS_TAGS[0]
        return self._last


def message_out(tag: int, payload: bytes, *, end_of_message: bool = True) -> bytes:
    """Write a whole DEV_DEP_MSG_OUT transfer, padded to a multiple of 4 bytes (§3.2.1)."""
    attributes = Attribute.EOM if end_of_message else 0
    header = _HEADER.pack(
        Message.DEV_DEP_MSG_OUT, tag, tag ^ _COMPLEMENT, len(payload), attributes, 0
    )
    return header + payload + bytes(-(HEADER_SIZE + len(payload)) % _ALIGNMENT)


def terminated(data: bytes, *, line_feed: bool) -> bytes:
    """Give a message with a line feed at its end, or without one."""
    if line_feed:
        return data if data.endswith(b"\n") else data + b"\n"
    return data.removesuffix(b"\n").removesuffix(b"\r")


def request_in(tag: int, size: int, *, term_char: int | None = None) -> bytes:
    """Write a REQUEST_DEV_DEP_MSG_IN for at most ``size`` bytes of payload (§3.2.1.2).

    ``term_char`` may be given only to a device whose capabilities offer it.
    """
    attributes = 0 if term_char is None else Attribute.TERM_CHAR
    return _HEADER.pack(
        Message.DEV_DEP_MSG_IN, tag, tag ^ _COMPLEMENT, size, attributes, term_char or 0
    )


@dataclass(frozen=True, slots=True)
class Header:
    """The header of a DEV_DEP_MSG_IN transfer as it came (§3.3.1)."""

    message: int
    tag: int
    size: int
    end_of_message: bool
    ended_by_term_char: bool

    @classmethod
    def parse(cls, data: bytes) -> Self | None:
        """Read a header; None when these bytes cannot be one.

        The complement of bTag tells: nothing else in a header can be checked, and a device that
        writes a wrong MsgID is common enough.
        """
        if len(data) < HEADER_SIZE:
            return None
        message, tag, inverse, size, attributes, _ = _HEADER.unpack_from(data)
        if tag ^ inverse != _COMPLEMENT or tag == 0:
            return None
        return cls(
            message,
            tag,
            size,
            bool(attributes & Attribute.EOM),
            bool(attributes & Attribute.TERM_CHAR),
        )


@dataclass(frozen=True, slots=True)
class Capabilities:
    """What a device says it can do (USBTMC table 37, USB488 table 8)."""

    listen_only: bool = False
    talk_only: bool = False
    term_char: bool = False
    usb488: bool = False
    remote_local: bool = False
    service_request: bool = False

    @classmethod
    def parse(cls, data: bytes, *, usb488: bool) -> Self:
        """Read the answer to GET_CAPABILITIES; what is missing from it counts as not offered.

        ``usb488`` is what the interface descriptor says; without it the bytes of the subclass
        are reserved.
        """
        padded = data.ljust(24, b"\0")
        if padded[0] != Status.SUCCESS:
            return cls(usb488=usb488)
        return cls(
            listen_only=bool(padded[4] & 1),
            talk_only=bool(padded[4] & 2),
            term_char=bool(padded[5] & 1),
            usb488=usb488,
            remote_local=usb488 and bool(padded[14] & 2),
            service_request=usb488 and bool(padded[15] & 4),
        )


def transfer_room(size: int, packet: int) -> int:
    """Give the buffer size for a Bulk-IN transfer of ``size`` payload bytes.

    A multiple of the packet size, or the host's controller overflows on the last packet; and of
    1024, the largest packet of any bulk endpoint, for a descriptor may name a smaller one than the
    device sends.
    """
    step = math.lcm(max(packet, 1), 1024)
    wanted = HEADER_SIZE + size + _ALIGNMENT
    return -(-wanted // step) * step
