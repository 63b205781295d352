"""Turning pydantic's findings into one line a fault: key path, what was found, what is expected."""

from collections.abc import Iterable
from typing import Any

from pydantic import ValidationError

_LONGEST = 60
_UNION_MEMBERS = frozenset({"serial", "rfc2217", "tcp", "unix", "usbtmc"})  # kinds of link


def fault_lines(error: ValidationError, *, prefix: str = "") -> list[str]:
    """List the faults of a failed validation, one line each."""
    return [_line(fault, prefix) for fault in error.errors(include_url=False)]


def key_path(parts: Iterable[object]) -> str:
    """Write a key path as it stands in TOML: ``instruments.ohm.link.baud`` or ``lines[2].unit``."""
    text = ""
    for part in parts:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def shown(value: Any) -> str:
    """Write a found value on one short line, whatever it is."""
    text = repr(value)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"


# What the patterns of `capture.model.fields` ask for, in words.
_WORDS = (
    ("^[a-z0-9](", "lower-case letters, digits and dashes, no dash at either end"),
    ("^[A-Za-z0-9](", "letters, digits, dots, dashes, slashes and blanks, as on a label"),
    ("^[^\\x00", "a line of text without control characters"),
)


def _line(fault: Any, prefix: str) -> str:
    where = key_path([*filter(None, prefix.split(".")), *_as_in_the_file(fault)])
    kind, found, context = fault["type"], fault.get("input"), fault.get("ctx", {})
    match kind:
        case _ if where.endswith("password"):
            return f"{where}: not a text that can be used as a password"  # never shown
        case "missing":
            return f"{where}: not given, but required"
        case "extra_forbidden":
            return f"{where}: found {shown(found)}, but there is no such key"
        case "string_pattern_mismatch":
            pattern = context["pattern"]
            words = next(
                (words for start, words in _WORDS if pattern.startswith(start)),
                f"a text that fits {pattern}",
            )
            return f"{where}: found {shown(found)}, expected {words}"
        case "union_tag_invalid":
            return f"{where}: found {shown(context['tag'])}, expected {context['expected_tags']}"
        case "union_tag_not_found":
            return f"{where}: not given, but required"
        case "value_error":
            return f"{where}: {fault['msg'].removeprefix('Value error, ')}"
    return (
        f"{where}: found {shown(found)}, expected {fault['msg'].removeprefix('Input should be ')}"
    )


def _as_in_the_file(fault: Any) -> list[object]:
    """Give the path as it stands in the file, without what pydantic puts into it."""
    path = [part for part in fault["loc"] if part not in _UNION_MEMBERS and part != "[key]"]
    if fault["type"] in ("union_tag_not_found", "union_tag_invalid"):
        path.append("kind")
    return path
