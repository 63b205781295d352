"""UUIDv7 identifiers (RFC 9562 §5.7): unique, and ordered by the time they were made."""

import os
import struct
import threading
import time
import uuid

_COUNTER_BITS = 12
_COUNTER_MAX = (1 << _COUNTER_BITS) - 1
_RANDOM_BITS = 62
_RANDOM = (1 << _RANDOM_BITS) - 1
_LAYOUT = struct.Struct(">QQ")

_lock = threading.Lock()
_last = 0  # milliseconds and counter of the newest id, as one number


def uuid7_from(milliseconds: int, rand_a: int, rand_b: int) -> uuid.UUID:
    """Lay out a UUIDv7 from its three fields: 48 bits of Unix milliseconds, 12 bits, 62 bits.

    Raises:
        ValueError: a field does not fit its width.

    Source: RFC 9562, figure 11.
    """
    if milliseconds >> 48 or rand_a >> _COUNTER_BITS or rand_b >> _RANDOM_BITS:
        raise ValueError("a UUIDv7 field is negative or too wide")
    return uuid.UUID(
        int=(milliseconds << 80) | (0x7 << 76) | (rand_a << 64) | (0b10 << 62) | rand_b
    )


def new_id() -> uuid.UUID:
    """Make an id that sorts after every id made before it in this process.

    ``rand_a`` is a counter (RFC 9562 §6.2, method 1) that runs on into the millisecond field when
    it is used up or when the host's clock was set back, so order survives both.
    """
    return uuid.UUID(bytes=new_id_bytes())


def new_id_bytes() -> bytes:
    """Make an id as `new_id` does, as the 16 bytes of it: what is stored, without the object."""
    global _last  # noqa: PLW0603 - one counter a process is what the RFC asks for
    now = (time.time_ns() // 1_000_000) << _COUNTER_BITS
    with _lock:
        _last = now if now > _last else _last + 1
        stamp = _last
    high = (stamp >> _COUNTER_BITS) << 16 | 0x7000 | stamp & _COUNTER_MAX
    low = int.from_bytes(os.urandom(8), "big") & _RANDOM | 1 << 63
    return _LAYOUT.pack(high, low)


def id_text(id_: bytes) -> str:
    """Write the 16 bytes of an id as a UUID is written."""
    digits = id_.hex()
    return f"{digits[:8]}-{digits[8:12]}-{digits[12:16]}-{digits[16:20]}-{digits[20:]}"
