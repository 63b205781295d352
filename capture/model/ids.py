"""UUIDv7 identifiers (RFC 9562 §5.7): unique, and ordered by the time they were made."""

import os
import struct
import threading
import time
import uuid

_COUNTER_BITS = 12
_COUNTER_MAX = (1 << _COUNTER_BITS) - 1
_RANDOM_BITS = 62
_HALVES = struct.Struct(">QQ")

# Random numbers are asked of the system many at a time: asking costs more than all the rest.
_WORDS = struct.Struct("256Q")

_lock = threading.Lock()
_last = 0  # milliseconds and counter of the newest id, as one number
_chance: list[int] = []
if hasattr(os, "register_at_fork"):
    # A child process must not hand out what its parent does.
    os.register_at_fork(after_in_child=_chance.clear)


def uuid7_from(milliseconds: int, rand_a: int, rand_b: int) -> uuid.UUID:
    """Lay out a UUIDv7 from its three fields: 48 bits of Unix milliseconds, 12 bits, 62 bits.

    Raises:
        ValueError: a field does not fit its width.

    Source: RFC 9562, figure 11.
    """
    if milliseconds >> 48 or rand_a >> _COUNTER_BITS or rand_b >> _RANDOM_BITS:
        raise ValueError("a UUIDv7 field is negative or too wide")
    return uuid.UUID(bytes=_laid_out(milliseconds, rand_a, rand_b))


def _laid_out(milliseconds: int, rand_a: int, rand_b: int) -> bytes:
    return _HALVES.pack(milliseconds << 16 | 0x7 << 12 | rand_a, 0b10 << 62 | rand_b)


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
        if not _chance:
            _chance.extend(_WORDS.unpack(os.urandom(_WORDS.size)))
        rand_b = _chance.pop() >> (64 - _RANDOM_BITS)
    return _laid_out(stamp >> _COUNTER_BITS, stamp & _COUNTER_MAX, rand_b)


def id_text(id_: bytes) -> str:
    """Write the 16 bytes of an id as a UUID is written."""
    digits = id_.hex()
    return f"{digits[:8]}-{digits[8:12]}-{digits[12:16]}-{digits[16:20]}-{digits[20:]}"
