"""A message at QoS 1 as bytes, for who publishes thousands a second.

What paho does beyond that for each, a queue of packets, a message of its own, and lines of a log
that nobody reads, is much of what a message costs the publisher, and all of it is cold by the
time a lone reading comes along.
"""

_AT_LEAST_ONCE, _RETAIN = 0x32, 0x01  # MQTT 5.0, 3.3.1
_MORE, _SEVEN = 0x80, 7  # 1.5.5: bits of a number in each byte, and that another one follows
_LONGEST_TOPIC = 65_535


def publish_packet(
    topic: bytes, payload: bytes, properties: bytes, mid: int, *, retain: bool
) -> bytes:
    """Give a PUBLISH (3.3): ``properties`` with their length, or nothing for MQTT 3.1.1."""
    size = len(topic) + len(properties) + len(payload) + 4
    head = bytearray((_AT_LEAST_ONCE | (_RETAIN if retain else 0),))
    while size >= _MORE:
        head.append(size & (_MORE - 1) | _MORE)
        size >>= _SEVEN
    head.append(size)
    return b"".join(
        (
            head,
            len(topic).to_bytes(2, "big"),
            topic,
            mid.to_bytes(2, "big"),
            properties,
            payload,
        )
    )


def is_plain_topic(topic: bytes) -> bool:
    """Tell whether one may publish under a topic: not empty, no wildcard, not too long."""
    return bool(topic) and len(topic) <= _LONGEST_TOPIC and b"+" not in topic and b"#" not in topic
