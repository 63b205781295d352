"""The messages of a Sparkplug B payload, described here anew, in a descriptor pool of their own.

Source: Eclipse Sparkplug 3.0, chapter 6 (field numbers and types). Only what an edge node of this
kind sends or understands is described; the rest of a payload that comes to us is passed over. The
pool is private, so another library in the same process may bring the same messages.
"""

from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

_PACKAGE = "benchtally.sparkplug"
_FIELD = descriptor_pb2.FieldDescriptorProto

_UINT32, _UINT64 = _FIELD.TYPE_UINT32, _FIELD.TYPE_UINT64
_BOOL, _STRING, _DOUBLE = _FIELD.TYPE_BOOL, _FIELD.TYPE_STRING, _FIELD.TYPE_DOUBLE

#: Message: (number, name, type or message, in the one-of, repeated).
_MESSAGES: dict[str, tuple[tuple[int, str, Any, bool, bool], ...]] = {
    "PropertyValue": (
        (1, "type", _UINT32, False, False),
        (2, "is_null", _BOOL, False, False),
        (3, "int_value", _UINT32, True, False),
        (4, "long_value", _UINT64, True, False),
        (6, "double_value", _DOUBLE, True, False),
        (7, "boolean_value", _BOOL, True, False),
        (8, "string_value", _STRING, True, False),
    ),
    "PropertySet": (
        (1, "keys", _STRING, False, True),
        (2, "values", "PropertyValue", False, True),
    ),
    "Metric": (
        (1, "name", _STRING, False, False),
        (2, "alias", _UINT64, False, False),
        (3, "timestamp", _UINT64, False, False),
        (4, "datatype", _UINT32, False, False),
        (5, "is_historical", _BOOL, False, False),
        (7, "is_null", _BOOL, False, False),
        (9, "properties", "PropertySet", False, False),
        (10, "int_value", _UINT32, True, False),
        (11, "long_value", _UINT64, True, False),
        (13, "double_value", _DOUBLE, True, False),
        (14, "boolean_value", _BOOL, True, False),
        (15, "string_value", _STRING, True, False),
    ),
    "Payload": (
        (1, "timestamp", _UINT64, False, False),
        (2, "metrics", "Metric", False, True),
        (3, "seq", _UINT64, False, False),
    ),
}

# Data types (the same chapter).
INT32, INT64, DOUBLE, BOOLEAN, STRING = 3, 4, 10, 11, 12


def _describe() -> descriptor_pb2.FileDescriptorProto:
    file = descriptor_pb2.FileDescriptorProto(
        name="benchtally/sparkplug.proto", package=_PACKAGE, syntax="proto2"
    )
    for name, fields in _MESSAGES.items():
        message = file.message_type.add(name=name)
        if any(in_oneof for *_, in_oneof, _ in fields):
            message.oneof_decl.add(name="value")
        for number, field, kind, in_oneof, repeated in fields:
            made = message.field.add(
                number=number,
                name=field,
                label=_FIELD.LABEL_REPEATED if repeated else _FIELD.LABEL_OPTIONAL,
            )
            if isinstance(kind, str):
                made.type, made.type_name = _FIELD.TYPE_MESSAGE, f".{_PACKAGE}.{kind}"
            else:
                made.type = kind
            if in_oneof:
                made.oneof_index = 0
    return file


_pool = descriptor_pool.DescriptorPool()
_pool.Add(_describe())

#: The class of payloads.
Payload: Any = message_factory.GetMessageClass(_pool.FindMessageTypeByName(f"{_PACKAGE}.Payload"))
