"""The text of the profile that ``benchtally profile new`` made of the answers."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from capture.display import clean
from capture.driver.profile.propose import Form, Seen, pattern_of
from capture.model import Status

_OFTEN = 3


@dataclass
class LineRead:
    """One [[lines]] of the profile that is being made."""

    form: Form
    names: dict[int, str] = field(default_factory=dict)
    values: list[dict[str, Any]] = field(default_factory=list)
    flags: dict[str, str] = field(default_factory=dict)


def toml_of(
    name: str,
    summary: str,
    link: dict[str, Any],
    seen: Seen,
    lines: Sequence[LineRead],
    ignored: Sequence[str],
) -> str:
    """Write the profile.

    link: settings of the line; those without a value are left out. ignored: patterns.
    """
    samples = [line for form in seen.forms for line in form.lines[:_OFTEN]]
    text = ["# Lines as the meter sent them:", "#"]
    text += [f"#   {clean(sample)}" for sample in samples]
    text += ["", "schema_version = 1", f"name = {quoted(name)}"]
    text += [f"summary = {quoted(summary)}", 'driver = "ascii-meter"']
    if ignored:
        text.append(f"ignore = [{', '.join(_literal(pattern) for pattern in ignored)}]")
    given = {key: value for key, value in link.items() if value is not None}
    if given:
        text += ["", "[link]", *(f"{key} = {quoted(value)}" for key, value in given.items())]
    text += ["", "[framing]", f"encoding = {quoted(seen.encoding)}"]
    text.append(f"decimal = {quoted(seen.decimal)}")
    if seen.start:
        text.append(f"start = {quoted(seen.start)}")
    if seen.terminator is not None:
        text.append(f"terminator = {quoted(seen.terminator)}")
    if seen.checksum is not None:
        kind, mark = seen.checksum
        text += ["", "[checksum]", f"kind = {quoted(kind)}", f"mark = {quoted(mark)}"]
    for line in lines:
        text += ["", "[[lines]]", f"pattern = {_literal(pattern_of(line.form, line.names))}"]
        flags = {"flags": line.flags} if line.flags else {}
        for value in line.values:
            text += ["", "[[lines.values]]"]
            text += [f"{key} = {quoted(member)}" for key, member in {**value, **flags}.items()]
    return "\n".join(text) + "\n"


def quoted(value: Any) -> str:
    """Write a value in TOML; JSON's strings, numbers and booleans are TOML's as well."""
    if isinstance(value, dict):
        inner = ", ".join(f"{_key(str(key))} = {quoted(each)}" for key, each in value.items())
        return f"{{ {inner} }}"
    return json.dumps(str(value) if isinstance(value, Status) else value, ensure_ascii=False)


def _key(text: str) -> str:
    return text if text.isascii() and text.replace("-", "_").isidentifier() else json.dumps(text)


def _literal(pattern: str) -> str:
    return json.dumps(pattern) if "'" in pattern else f"'{pattern}'"
