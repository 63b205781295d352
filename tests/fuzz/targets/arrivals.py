"""Packets of a broker, cut out of the bytes that were read.

What is cut out is what a PUBLISH says by MQTT 5.0, 3.3, written out here the other way round: byte
for byte what stood there. Nothing is raised.
"""

from choices import Choices

from capture.publish.arrivals import (
    Received,
    acknowledgements,
    cut_acknowledgements,
    cut_publishes,
)

MUTATIONS = 3000
_TOPIC = "benchtally/v1/sawmill/bench-1/reading/ohm-1/resistance"
_MOST = 5


def seeds():
    """Give packets whole, torn, of other kinds, with what paho is to read, and one after the other."""
    plain = _packet(Received(_TOPIC, b'{"value":0.8421}', 7))
    long = _packet(Received(_TOPIC, b"x" * 300, 65_535), b"\x26\x00\x02ce\x00\x031.0" * 20)
    yield b"\0\5" + plain
    yield b"\0\5" + plain + long + plain
    yield b"\2\4" + b"\xd0\x00" + long + b"\xd0\x00" + plain
    yield b"\0\5" + plain[:-1]
    yield b"\0\5" + long[:3]
    yield b"\0\5" + b"\x3b" + plain[1:] + b"\x30" + plain[1:]
    yield b"\0\5" + _packet(Received("", b"alias", 1), b"\x23\x00\x01")
    yield b"\0\5" + _packet(Received("a", b"", 1), b"\x02\xff\xff\xff\xff")
    yield b"\0\5" + _packet(Received("a", b"x" * 20_000, 1))
    yield b"\0\5" + b"\x32\xff\xff\xff\xff\x7f" + plain
    yield b"\0\5" + b"\x32\x05\x00\x01a\x00\x00\x00"
    yield b"\0\5" + b"\x40\x02\x00\x07\x40\x03\xff\xff\x10\x40\x03\x00\x07\x97"
    yield b"\0\5" + b"\x32\x06\x00\x01a\x00\x01\x7f"


def target(data):
    """Cut, and hold what was cut against the bytes."""
    choices = Choices(data)
    at, most = choices.byte(), choices.byte() % (_MOST + 1)
    stream = choices.rest()
    at = min(at, len(stream))
    _acknowledgements(stream, at)
    found, rest = cut_publishes(stream, at, most)
    assert len(found) <= most
    for each in found:
        assert stream[at] in {0x32, 0x33, 0x3A, 0x3B}
        at += 1
        length, at = _number(stream, at)
        after = at + length
        topic = each.topic.encode()
        assert topic
        begin = len(topic).to_bytes(2, "big") + topic + each.mid.to_bytes(2, "big")
        assert each.mid > 0
        assert stream[at : at + len(begin)] == begin
        size, at = _number(stream, at + len(begin))
        stream[at : at + size].decode("ascii")
        assert stream[at + size : after] == each.payload
        assert after <= len(stream)
        at = after
    assert at == rest
    said = acknowledgements(each.mid for each in found)
    assert said == b"".join(b"\x40\x02" + each.mid.to_bytes(2, "big") for each in found)


def _acknowledgements(stream, at):
    """Hold what was cut of PUBACKs (3.4) against the bytes, for MQTT 5 and for 3.1.1."""
    for reasons in (True, False):
        found, rest = cut_acknowledgements(stream, at, reasons=reasons)
        said = b"".join(
            bytes((0x40, 3 if reason else 2, *divmod(mid, 256))) + (b"\x10" if reason else b"")
            for mid, reason in found
        )
        assert stream[at:rest] == said
        assert reasons or not any(reason for _, reason in found)


def _number(stream, at):
    """Read a variable byte integer (1.5.5)."""
    value = shift = 0
    while True:
        value |= (stream[at] & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if stream[at - 1] < 0x80:
            return value, at


def _written(value):
    found = bytearray()
    while True:
        value, low = value >> 7, value & 0x7F
        found.append(low | (0x80 if value else 0))
        if not value:
            return bytes(found)


def _packet(message, properties=b""):
    """Write a PUBLISH at QoS 1 (3.3)."""
    topic = message.topic.encode()
    body = len(topic).to_bytes(2, "big") + topic + message.mid.to_bytes(2, "big")
    body += _written(len(properties)) + properties + message.payload
    return b"\x32" + _written(len(body)) + body
