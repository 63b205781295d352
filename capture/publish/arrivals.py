"""What comes at QoS 1, cut out of the bytes that were read, many packets at a time.

For each packet paho keeps tables, locks, a message and all its properties: most of what a message
costs a consumer, and not a little of what one costs whoever publishes it. Nothing of that is needed
where a message is no more than a topic, a payload and the number that it is acknowledged by, and an
acknowledgement says "taken". So the common packets are told apart here, and whatever is not wholly
plain is left where it is, for paho to take and to judge.
"""

from collections.abc import Iterable
from typing import NamedTuple

from capture.publish.refusals import NO_SUBSCRIBERS

# MQTT 5.0, 3.3: a 3, DUP, QoS (two bits), RETAIN; QoS 1, whatever the two others say.
_KIND, _AT_LEAST_ONCE = 0xF6, 0x32
_PUBACK, _MID = 0x40, 2  # 3.4: a packet identifier, and nothing where there is nothing to say
_MORE = 0x80  # 1.5.5: another byte of this number follows
_LOW = 0x7F


class Received(NamedTuple):
    """One message, as it came. ``mid`` is None where nobody wants to hear that it is stored."""

    topic: str
    payload: bytes
    mid: int | None


def cut_publishes(data: bytes, at: int, most: int) -> tuple[list[Received], int]:
    """Give up to ``most`` messages of MQTT 5 from ``data[at:]``, and where the rest begins.

    It ends before a packet that is something else, is not there to its end, has more than 16,383
    bytes, a topic that is empty (an alias) or not UTF-8, a packet identifier of 0, or properties
    that are not plain ASCII. What properties say is not looked at: nothing of them is used, and
    what is wrong in them, such as U+0000, is for the broker to refuse where they are sent.
    """
    found: list[Received] = []
    end = len(data)
    while len(found) < most and at + 2 < end and data[at] & _KIND == _AT_LEAST_ONCE:
        length, begin = _number(data, at + 1)
        after = begin + length
        topic = begin + 2
        # The two bytes of the topic's length are within `data` where the packet is.
        if begin == 0 or after > end or length < 2:  # noqa: PLR2004
            break
        number = topic + (data[begin] << 8 | data[begin + 1])
        properties = number + 2
        if number == topic or properties >= after:
            break
        mid = data[number] << 8 | data[number + 1]
        size, says = _number(data, properties)
        payload = says + size
        if mid == 0 or says == 0 or payload > after or not data[says:payload].isascii():
            break
        try:
            found.append(Received(data[topic:number].decode(), data[payload:after], mid))
        except UnicodeDecodeError:
            break
        at = after
    return found, at


def cut_acknowledgements(
    data: bytes, at: int, *, reasons: bool
) -> tuple[list[tuple[int, int]], int]:
    """Give packet identifier and reason of the PUBACKs that ``data[at:]`` begins with.

    And where the rest begins: at one that is not there to its end, says more than that the message
    is taken (0), or taken though nobody listens (0x10), and before all else. MQTT 3.1.1 has no
    ``reasons``.
    """
    found = []
    end = len(data)
    while at + 3 < end and data[at] == _PUBACK:
        size = data[at + 1]
        if size == _MID:
            reason = 0
        elif reasons and size == _MID + 1 and data[at + 4 : at + 5] == bytes((NO_SUBSCRIBERS,)):
            reason = NO_SUBSCRIBERS
        else:
            break
        found.append((data[at + 2] << 8 | data[at + 3], reason))
        at += 2 + size
    return found, at


def acknowledgements(mids: Iterable[int]) -> bytes:
    """Give the PUBACKs that say "taken" to these packet identifiers."""
    head = bytes((_PUBACK, _MID))
    return b"".join(head + mid.to_bytes(2, "big") for mid in mids)


def _number(data: bytes, at: int) -> tuple[int, int]:
    """Give a number of one or two bytes (1.5.5) and what comes behind it; 0 behind a longer one."""
    low = data[at]
    if low < _MORE:
        return low, at + 1
    high = data[at + 1] if at + 1 < len(data) else _MORE
    return (0, 0) if high >= _MORE else (low & _LOW | high << 7, at + 2)
