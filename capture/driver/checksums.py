"""The checksums that instruments put behind what they send: bytes in, a number out.

Names and parameters of the CRCs are those of the catalogue of parametrised CRC algorithms (RevEng),
with CRC-16/CCITT-FALSE under that older name of CRC-16/IBM-3740.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import reduce
from operator import xor

_BYTE = 0xFF
_WORD = 0xFFFF


@dataclass(frozen=True, slots=True)
class Checksum:
    """A checksum: how many bytes it has, and the function that computes it."""

    size: int
    compute: Callable[[bytes], int]


def _table(polynomial: int, *, reflected: bool) -> tuple[int, ...]:
    """Compute the remainders of all single bytes."""
    table = []
    for byte in range(256):
        remainder = byte if reflected else byte << 8
        for _ in range(8):
            if reflected:
                remainder = remainder >> 1 ^ (polynomial if remainder & 1 else 0)
            else:
                remainder = (remainder << 1 ^ (polynomial if remainder & 0x8000 else 0)) & _WORD
        table.append(remainder)
    return tuple(table)


# 0xA001 is 0x8005 with its bits reversed, as reflected algorithms want it.
_REFLECTED_8005 = _table(0xA001, reflected=True)
_PLAIN_1021 = _table(0x1021, reflected=False)


def _reflected(data: bytes, remainder: int) -> int:
    for byte in data:
        remainder = remainder >> 8 ^ _REFLECTED_8005[(remainder ^ byte) & _BYTE]
    return remainder


def _plain(data: bytes, remainder: int) -> int:
    for byte in data:
        remainder = (remainder << 8 & _WORD) ^ _PLAIN_1021[remainder >> 8 ^ byte]
    return remainder


#: Every checksum by the name that profiles use.
CHECKSUMS: dict[str, Checksum] = {
    "crc-16-arc": Checksum(2, lambda data: _reflected(data, 0x0000)),
    "crc-16-modbus": Checksum(2, lambda data: _reflected(data, 0xFFFF)),
    "crc-16-xmodem": Checksum(2, lambda data: _plain(data, 0x0000)),
    "crc-16-ccitt-false": Checksum(2, lambda data: _plain(data, 0xFFFF)),
    "xor": Checksum(1, lambda data: reduce(xor, data, 0)),
    # Two's complement of the sum, as MODBUS ASCII has it.
    "lrc": Checksum(1, lambda data: -sum(data) & _BYTE),
    "sum": Checksum(1, lambda data: sum(data) & _BYTE),
}
