"""CloudEvents 1.0, binary mode, as user properties of MQTT 5.

Each attribute is a user property under its own name; ``datacontenttype`` is MQTT's Content Type;
the payload is the data as it is (CloudEvents MQTT protocol binding 1.0.2, §3.1). All but ``id`` and
``time`` is the same for every entry of one topic, so it is packed once for each, and what is packed
is put before every message as bytes. MQTT 3.1.1 has no properties: there only the payload goes.
"""

import re

from capture.journal import Row
from capture.model.ids import id_text
from capture.model.names import schema_id
from capture.publish.packed import PackedProperties

CONTENT_TYPE = "application/json"
_MOST_KEPT = 4096

# Every kind of entry writes its time before anything that holds members of its own, and a quotation
# mark inside a text is escaped: the first match is the entry's own. A gap was over at its end.
_TIME = re.compile(rb'"(?:time|end)":"([0-9TZ:.+-]{20,35})"')


def static_attributes(row: Row, site: str, bench: str) -> dict[str, str]:
    """Give the attributes that all entries of this one's topic share."""
    source = ":".join(filter(None, ("urn:benchtally", site, bench, row.instrument)))
    attributes = {
        "specversion": "1.0",
        "type": f"benchtally.{row.kind}.v1",
        "source": source,
        "dataschema": schema_id(row.kind),
    }
    return attributes | ({"subject": row.subject} if row.subject else {})


class CloudEvents:
    """Writes the properties of entries of one bench."""

    def __init__(self, site: str, bench: str) -> None:
        self._bench = (site, bench)
        self._static: dict[tuple[str, str, str], bytes] = {}

    def properties(self, row: Row) -> PackedProperties:
        """Write the properties of one entry."""
        key = (row.kind, row.instrument, row.subject)
        static = self._static.get(key)
        if static is None:
            if len(self._static) >= _MOST_KEPT:  # a subject may be the id of a job: no end to them
                self._static.clear()
            static = self._static[key] = self._pack_static(row)
        varying = _ID + id_text(row.key).encode()
        if found := _TIME.search(row.body):
            time = found[1]
            varying += _TIME_HEAD + len(time).to_bytes(2, "big") + time
        packed = static + varying
        return PackedProperties(_length(len(packed)) + packed)

    def _pack_static(self, row: Row) -> bytes:
        packed = _UTF_8 + _CONTENT_TYPE + _text(CONTENT_TYPE)
        for name, value in static_attributes(row, *self._bench).items():
            packed += _pair_head(name) + _text(value)
        return packed


# The few forms that this needs: MQTT 5.0 §1.5.4 (text), §1.5.5 (length), §1.5.7 (pair), §2.2.2.2.

_UTF_8 = b"\x01\x01"  # Payload Format Indicator
_CONTENT_TYPE = b"\x03"
_USER_PROPERTY = b"\x26"


def _text(text: str) -> bytes:
    encoded = text.encode()
    return len(encoded).to_bytes(2, "big") + encoded


def _length(number: int) -> bytes:
    made = bytearray()
    while number > 0x7F:  # noqa: PLR2004 - seven bits a byte
        made.append(number & 0x7F | 0x80)
        number >>= 7
    made.append(number)
    return bytes(made)


def _pair_head(name: str) -> bytes:
    """Write a user property up to its value."""
    return _USER_PROPERTY + _text(name)


_ID = _pair_head("id") + (36).to_bytes(2, "big")  # a UUID as text
_TIME_HEAD = _pair_head("time")
