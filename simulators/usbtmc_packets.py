"""What a device sends on Bulk-IN, as packets, and what it says that it can do: bytes, no state.

Written from memory of USBTMC 1.0 and USB488 1.0, as `usbtmc.py` is.
"""

from dataclasses import dataclass

from simulators.usbtmc_rules import DEV_DEP_MSG_IN, SUCCESS, Departures


@dataclass(frozen=True, slots=True)
class InRequest:
    """A REQUEST_DEV_DEP_MSG_IN.

    Attributes:
        tag, size: its bTag, and how many bytes of payload the host takes at most.
        terminator: byte at which the answer is to end; None for none.
    """

    tag: int
    size: int
    terminator: int | None


@dataclass(frozen=True, slots=True)
class InTransfer:
    """An answer to a request.

    Attributes:
        packets: what is sent, the last one short unless the device departs from that.
        taken: bytes of the response message that are in it.
        raw: whether all of the message goes now, the rest of it without a header.
    """

    packets: list[bytes]
    taken: int
    raw: bool = False


def transfer_of(
    message: bytes, request: InRequest, departures: Departures, packet: int
) -> InTransfer:
    """Make the transfer that answers a request out of what is left of a response message.

    packet: true wMaxPacketSize, bytes.
    """
    most = min(request.size, departures.cap or request.size)
    if departures.overrun:
        most = request.size + 8
    payload = message[:most]
    ended_by_character = False
    if request.terminator is not None and request.terminator in payload:
        payload = payload[: payload.index(request.terminator) + 1]
        ended_by_character = True
    rest = message[len(payload) :]
    end = {"right": not rest, "always": True, "never": False}[departures.eom]
    attributes = (1 if end else 0) | (2 if ended_by_character else 0)
    header = _header(request.tag, len(payload), attributes, departures)

    def cut(data: bytes) -> list[bytes]:
        return _cut(data, packet, whole=departures.no_short_packet)

    if departures.raw_continuation and rest:
        # All of it now; no further request is waited for.
        packets = cut(header + payload)
        for start in range(0, len(rest), most):
            packets += cut(rest[start : start + most])
        return InTransfer(packets, len(message), raw=True)
    if departures.split_header:
        return InTransfer([header, *cut(_padded(payload))], len(payload))
    return InTransfer(cut(_padded(header + payload)), len(payload))


def capabilities(*, usb488: bool, interrupt: bool) -> bytes:
    """Return the 24 bytes of USBTMC table 37 and USB488 table 8."""
    answer = bytearray(24)
    answer[0] = SUCCESS
    answer[2:4] = (0x0100).to_bytes(2, "little")
    answer[4] = 0x04  # accepts INDICATOR_PULSE
    answer[5] = 0x01  # can end a Bulk-IN transfer on a termination character
    if usb488:
        answer[12:14] = (0x0100).to_bytes(2, "little")
        answer[14] = 0x07  # IEEE 488.2, REN and local requests, TRIGGER
        # SCPI, SR1 only with the interrupt endpoint, RL1, DT1
        answer[15] = 0x0B | (0x04 if interrupt else 0)
    return bytes(answer)


def _header(tag: int, size: int, attributes: int, departures: Departures) -> bytes:
    kind = 0x7F if departures.wrong_id else DEV_DEP_MSG_IN
    shown_tag = tag % 255 + 1 if departures.wrong_tag else tag
    shown_size = size + 100 if departures.size == "larger" else size
    return (
        bytes([kind, shown_tag, shown_tag ^ 0xFF, 0])
        + shown_size.to_bytes(4, "little")
        + bytes([attributes, 0, 0, 0])
    )


def _cut(data: bytes, packet: int, *, whole: bool) -> list[bytes]:
    """Cut a transfer into packets; the last one is short, if need be empty, unless ``whole``."""
    packets = [data[at : at + packet] for at in range(0, len(data), packet)]
    if len(data) % packet == 0 and not whole:
        packets.append(b"")
    return packets


def _padded(data: bytes) -> bytes:
    """Pad a transfer to a multiple of 4 bytes, as a device may."""
    return data + bytes(-len(data) % 4)
