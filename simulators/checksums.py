"""Checksums that instruments put behind their data.

Parameters of the CRCs are those of the catalogue of parametrised CRC algorithms (RevEng).
"""

from collections.abc import Callable


def crc16(data: bytes, initial: int) -> int:
    """Return a CRC-16, polynomial 0x8005 reflected (0xA001), no final XOR.

    initial 0x0000 is CRC-16/ARC, 0xFFFF is CRC-16/MODBUS.
    """
    remainder = initial
    for byte in data:
        remainder ^= byte
        for _ in range(8):
            remainder = remainder >> 1 ^ (0xA001 if remainder & 1 else 0)
    return remainder


def xor8(data: bytes) -> int:
    """Return the exclusive or of all bytes, as NMEA 0183 has it."""
    result = 0
    for byte in data:
        result ^= byte
    return result


def lrc8(data: bytes) -> int:
    """Return the two's complement of the sum of all bytes, as MODBUS ASCII has it."""
    return -sum(data) & 0xFF


def sum8(data: bytes) -> int:
    """Return the sum of all bytes modulo 256."""
    return sum(data) & 0xFF


CHECKSUMS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "crc-16-arc": (2, lambda data: crc16(data, 0x0000)),
    "crc-16-modbus": (2, lambda data: crc16(data, 0xFFFF)),
    "xor": (1, xor8),
    "lrc": (1, lrc8),
    "sum": (1, sum8),
}
"""Name → (size in bytes, function)."""
