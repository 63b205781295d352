"""Turning pydantic's findings into one line a fault: key path, what was found, what is expected."""

import difflib
from collections.abc import Iterable, Sequence
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from capture.model.quantity import NAME_PATTERN, Quantity

_LONGEST = 60
_UNION_MEMBERS = frozenset({"serial", "rfc2217", "tcp", "unix", "usbtmc"})  # kinds of link


def fault_lines(
    error: ValidationError, *, prefix: str = "", model: type[BaseModel] | None = None
) -> list[str]:
    """List the faults of a failed validation, one line each.

    With the ``model`` that was validated, a key that does not exist comes with a hint.
    """
    return [_line(fault, prefix, model) for fault in error.errors(include_url=False)]


def one_line(error: ValidationError) -> str:
    """Write all faults of a failed validation on one line, for a person."""
    return "; ".join(fault_lines(error))


def key_path(parts: Iterable[object]) -> str:
    """Write a key path as it stands in TOML: ``instruments.ohm.link.baud`` or ``lines[2].unit``.

    A key that would break the line stands quoted, as it must in TOML, and shortened.
    """
    text = ""
    for part in parts:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            key = str(part) if str(part).isprintable() else shown(part)
            text += f".{key}" if text else key
    return text


def shown(value: Any) -> str:
    """Write a found value on one short line, whatever it is."""
    text = repr(value)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"


# What a person who writes TOML calls what the library calls otherwise.
_KINDS = {"model_type": "a table", "dict_type": "a table", "tuple_type": "a list"}
# What the patterns of `capture.model.fields` ask for, in words.
_WORDS = (
    ("^[a-z0-9](", "lower-case letters, digits and dashes, no dash at either end"),
    ("^[a-z0-9][a-z0-9.-]", "lower-case letters, digits, dots and dashes"),
    ("^[A-Za-z0-9](", "letters, digits, dots, dashes, slashes and blanks, as on a label"),
    ("^[^\\s/@", "a name or an address alone, without blanks and without mqtt:// before it"),
    ("^[^\\x00", "a line of text without control characters"),
)


def hint_for(model: type[BaseModel], path: Sequence[object]) -> str:
    """Say which key was probably meant at the end of ``path``; else which keys there are."""
    part: type[BaseModel] | None = model
    for step in path[:-1]:
        if part is not None and isinstance(step, str) and step in part.model_fields:
            part = _model_within(part.model_fields[step].annotation)
    if part is None:
        return ""
    keys = list(part.model_fields)
    close = difflib.get_close_matches(str(path[-1]), keys, n=1, cutoff=0.6)
    return f"; did you mean {close[0]}?" if close else f"; known are {', '.join(keys)}"


def _model_within(annotation: Any) -> type[BaseModel] | None:
    """Find the model that a list, a table or an optional value is made of."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    found = (_model_within(each) for each in get_args(annotation))
    return next((each for each in found if each is not None), None)


def _line(fault: Any, prefix: str, model: type[BaseModel] | None) -> str:
    where = key_path([*filter(None, prefix.split(".")), *_as_in_the_file(fault)])
    kind, found, context = fault["type"], fault.get("input"), fault.get("ctx", {})
    match kind:
        case _ if where.endswith("password"):
            return f"{where}: not a text that can be used as a password"  # never shown
        case "missing":
            return f"{where}: not given, but required"
        case "extra_forbidden" if _may_hold_a_secret(where):
            return f"{where}: there is no such key{_hint(fault, model)}"
        case "extra_forbidden":
            return f"{where}: found {shown(found)}, but there is no such key{_hint(fault, model)}"
        case "string_pattern_mismatch":
            return f"{where}: found {shown(found)}, expected {_expected(context['pattern'], found)}"
        case "union_tag_invalid":
            return f"{where}: found {shown(context['tag'])}, expected {context['expected_tags']}"
        case "union_tag_not_found":
            return f"{where}: not given, but required"
        case "value_error":
            text = fault["msg"].removeprefix("Value error, ")
            return f"{where}: {text}" if where else text
    words = fault["msg"].removeprefix("Input should be ").removeprefix("String should have ")
    expected = _KINDS.get(kind) or words
    return f"{where}: found {shown(found)}, expected {expected}"


def _may_hold_a_secret(where: str) -> bool:
    """Tell whether a key that does not exist was probably meant for a secret."""
    key = where.rpartition(".")[2].lower()
    return bool(difflib.get_close_matches(key, ("password", "key_password", "secret"), cutoff=0.6))


def _hint(fault: Any, model: type[BaseModel] | None) -> str:
    return "" if model is None else hint_for(model, fault["loc"])


def _expected(pattern: str, found: object) -> str:
    """Say in words what a text must look like."""
    if pattern == NAME_PATTERN:
        close = difflib.get_close_matches(str(found), list(Quantity), n=1)
        hint = f"; did you mean {close[0]}?" if close else f": {', '.join(Quantity)}, or x_…"
        return f"the name of a quantity{hint}"
    known = (words for start, words in _WORDS if pattern.startswith(start))
    return next(known, f"a text that fits {pattern}")


def _as_in_the_file(fault: Any) -> list[object]:
    """Give the path as it stands in the file, without what pydantic puts into it."""
    # A union stands in a member; at the very beginning, `serial` is a member of its own.
    path = [
        part
        for place, part in enumerate(fault["loc"])
        if place == 0 or (part not in _UNION_MEMBERS and part != "[key]")
    ]
    if fault["type"] in ("union_tag_not_found", "union_tag_invalid"):
        path.append("kind")
    return path
