"""Turning pydantic's findings into one line a fault: key path, what was found, what is expected."""

from collections.abc import Iterable
from typing import Any

from pydantic import ValidationError

_LONGEST = 60


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


def _line(fault: Any, prefix: str) -> str:
    where = key_path([*filter(None, prefix.split(".")), *_without_tags(fault["loc"], fault)])
    kind, found = fault["type"], fault.get("input")
    if kind == "missing":
        return f"{where}: not given, but required"
    if kind == "extra_forbidden":
        return f"{where}: found {shown(found)}, but there is no such key"
    message = fault["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
    if fault["msg"].startswith("Value error, "):
        return f"{where}: {message}"
    return f"{where}: found {shown(found)}, expected {message}"


def _without_tags(location: tuple[object, ...], fault: Any) -> list[object]:
    """Leave out the names of union members, which stand in pydantic's path but not in the file."""
    tags = {"serial", "tcp"}
    kept = [part for part in location if part not in tags]
    if fault["type"] in ("union_tag_not_found", "union_tag_invalid"):
        kept.append("kind")
    return kept
