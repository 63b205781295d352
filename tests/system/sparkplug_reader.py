"""Reads Sparkplug B payloads byte by byte, from the table of fields in Eclipse Sparkplug 3.0, chapter 6.

It shares nothing with the code under test: no description of messages, no protobuf library. Wire
format: Protocol Buffers, "Encoding" (tag = number << 3 | kind; kinds 0 varint, 1 eight bytes, 2 bytes
with their length, 5 four bytes).
"""

import struct

_PAYLOAD = {1: "timestamp", 2: "metrics*", 3: "seq", 4: "uuid", 5: "body"}
_METRIC = {
    1: "name", 2: "alias", 3: "timestamp", 4: "datatype", 5: "is_historical", 6: "is_transient",
    7: "is_null", 8: "metadata", 9: "properties", 10: "int_value", 11: "long_value",
    12: "float_value", 13: "double_value", 14: "boolean_value", 15: "string_value",
}  # fmt: skip
_SET = {1: "keys*", 2: "values*"}
_VALUE = {
    1: "type", 2: "is_null", 3: "int_value", 4: "long_value", 5: "float_value", 6: "double_value",
    7: "boolean_value", 8: "string_value",
}  # fmt: skip


def read_payload(data):
    """Give a payload as a dictionary; each metric's properties as (type, value) by key."""
    payload = _message(data, _PAYLOAD)
    payload["metrics"] = [_metric(each) for each in payload.get("metrics", [])]
    return payload


def _metric(data):
    metric = _message(data, _METRIC)
    for name in ("name", "string_value"):
        if name in metric:
            metric[name] = metric[name].decode()
    if "double_value" in metric:
        (metric["double_value"],) = struct.unpack("<d", metric["double_value"])
    found = _message(metric.pop("properties", b""), _SET)
    keys = [key.decode() for key in found.get("keys", [])]
    values = [_value(each) for each in found.get("values", [])]
    assert len(keys) == len(values), "as many keys as values"
    metric["properties"] = dict(zip(keys, values, strict=True))
    return metric


def _value(data):
    found = _message(data, _VALUE)
    kind = found.pop("type")
    ((name, value),) = found.items()
    if name == "double_value":
        (value,) = struct.unpack("<d", value)
    return kind, value.decode() if name == "string_value" else value


def _message(data, names):
    found, at = {}, 0
    while at < len(data):
        tag, at = _varint(data, at)
        name, kind = names[tag >> 3], tag & 7
        if kind == 0:
            value, at = _varint(data, at)
        elif kind == 2:
            size, at = _varint(data, at)
            value, at = data[at : at + size], at + size
        else:
            size = {1: 8, 5: 4}[kind]
            value, at = data[at : at + size], at + size
        if name.endswith("*"):
            found.setdefault(name[:-1], []).append(value)
        else:
            assert name not in found, f"{name} comes once"
            found[name] = value
    assert at == len(data)
    return found


def _varint(data, at):
    value, shift = 0, 0
    while True:
        byte = data[at]
        value |= (byte & 0x7F) << shift
        at, shift = at + 1, shift + 7
        if not byte & 0x80:
            return value, at
