"""Cutting the stream into packets, whatever arrives and however it is cut.

Frame::

    5A  length  sequence  value … value  CRC (2)

Strategy: the start byte may occur inside a packet, so only the CRC makes a packet. Where it does
not hold, one byte is passed over and the next start byte is tried; so a damaged packet costs
itself and no other. What is passed over is given once, when the next good packet or enough of it
has come: what comes out depends on the bytes alone, never on the pieces they arrived in.
"""

import struct
from dataclasses import dataclass

START = 0x5A
VALUE_SIZE = 6
MOST_VALUES = 8

_LENGTHS = frozenset(1 + VALUE_SIZE * count for count in range(MOST_VALUES + 1))
_AROUND = 4  # start, length, and two bytes of CRC
_MOST_SKIPPED = 64


@dataclass(frozen=True, slots=True)
class Packet:
    """One good packet; a value is (kind, power of ten, number)."""

    sequence: int
    values: tuple[tuple[int, int, int], ...]
    raw: bytes


@dataclass(frozen=True, slots=True)
class Junk:
    """Bytes that are no packet; the first of them, where there are many."""

    raw: bytes


class Packets:
    """Takes bytes, gives packets and junk in order. Holds a bounded number of bytes."""

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._skipped = bytearray()
        self._told = False

    @property
    def pending(self) -> bool:
        """Whether a packet has begun whose end has not come."""
        return bool(self._buffer)

    def feed(self, data: bytes) -> list[Packet | Junk]:
        """Take bytes; give what they complete."""
        self._buffer += data
        found: list[Packet | Junk] = []
        while self._buffer:
            start = self._buffer.find(START)
            if start != 0:
                self._skip(len(self._buffer) if start < 0 else start, found)
                continue
            packet = self._packet()
            if packet is None:
                break
            if not packet:
                self._skip(1, found)
                continue
            self._tell_skipped(found)
            found.append(_read(packet))
            del self._buffer[: len(packet)]
        return found

    def give_up(self) -> list[Packet | Junk]:
        """Take the packet that has begun for junk: the line has been silent too long."""
        found: list[Packet | Junk] = []
        left = bytes(self._buffer[1:])
        if self._buffer:
            del self._buffer[1:]
            self._skip(1, found)
            found += self.feed(left)
        return found

    def _packet(self) -> bytes | None:
        """Give the packet at the start of the buffer; empty where it is none, None: not yet."""
        if len(self._buffer) < 2:  # noqa: PLR2004 - start and length
            return None
        if self._buffer[1] not in _LENGTHS:
            return b""
        size = _AROUND + self._buffer[1]
        if len(self._buffer) < size:
            return None
        packet = bytes(self._buffer[:size])
        return packet if crc(packet[1:-2]) == int.from_bytes(packet[-2:]) else b""

    def _skip(self, count: int, found: list[Packet | Junk]) -> None:
        room = _MOST_SKIPPED - len(self._skipped)
        self._skipped += self._buffer[: min(count, room)]
        del self._buffer[:count]
        if count >= room and not self._told:
            self._told = True
            found.append(Junk(bytes(self._skipped)))

    def _tell_skipped(self, found: list[Packet | Junk]) -> None:
        if self._skipped and not self._told:
            found.append(Junk(bytes(self._skipped)))
        self._skipped.clear()
        self._told = False


def crc(data: bytes) -> int:
    """Compute the CRC of a packet: polynomial 1021, start FFFF, most significant bit first."""
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1 ^ 0x1021) & 0xFFFF if register & 0x8000 else register << 1
    return register


def _read(packet: bytes) -> Packet:
    return Packet(packet[2], tuple(struct.iter_unpack(">Bbi", packet[3:-2])), packet)
