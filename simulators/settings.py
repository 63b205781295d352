"""Settings of simulated instruments and faults: dataclasses read from `key=value` texts.

A setting's type is that of its default (bool, int, float or str), its help stands in the field's
metadata. So one dataclass is the whole description, for the command line and for `--list`.
"""

import math
from collections.abc import Mapping
from dataclasses import Field, field, fields
from typing import Any, TypeVar

T = TypeVar("T")

TERMINATORS = {"lf": b"\n", "crlf": b"\r\n", "cr": b"\r"}
"""What the setting `terminator` stands for."""

_YES = frozenset({"yes", "true", "on", "1"})
_NO = frozenset({"no", "false", "off", "0"})


class SettingsError(ValueError):
    """A setting that is unknown or cannot be read; the text says which and what is possible."""


def option(default: Any, explanation: str, *choices: str) -> Any:
    """Declare one setting of a settings dataclass; `choices` are the only texts allowed."""
    return field(default=default, metadata={"help": explanation, "choices": choices})


def flag(explanation: str, *, on: bool = False) -> Any:
    """Declare a setting that is yes or no."""
    return option(on, explanation)


def describe(kind: type[Any]) -> list[tuple[str, str, str]]:
    """Return (name, default as text, explanation) of each setting of a settings dataclass."""
    return [(each.name, _shown(each.default), _explanation(each)) for each in fields(kind)]


def read(kind: type[T], texts: Mapping[str, str]) -> T:
    """Make the settings from texts.

    Raises SettingsError for an unknown name or a text that does not fit the setting.
    """
    known: dict[str, Field[Any]] = {each.name: each for each in fields(kind)}  # type: ignore[arg-type]
    for name in texts:
        if name not in known:
            names = ", ".join(known) or "none"
            raise SettingsError(f"unknown option {name!r}; there are: {names}")
    return kind(**{name: _value(known[name], text) for name, text in texts.items()})


def pairs(items: list[str]) -> dict[str, str]:
    """Split `key=value` items; raise SettingsError when one has no equals sign."""
    found: dict[str, str] = {}
    for item in items:
        name, equals, text = item.partition("=")
        if not equals:
            raise SettingsError(f"{item!r} is not written key=value")
        found[name.strip().replace("-", "_")] = text
    return found


def _value(each: Field[Any], text: str) -> Any:
    choices = each.metadata["choices"]
    if choices and text not in choices:
        raise SettingsError(f"{each.name}={text}: choose one of {', '.join(choices)}")
    match each.default:
        case bool():
            if text.lower() in _YES | _NO:
                return text.lower() in _YES
            raise SettingsError(f"{each.name}={text}: write yes or no")
        case int():
            return _number(each.name, text, int)
        case float():
            return _number(each.name, text, float)
        case _:
            return text


def _number(name: str, text: str, kind: type[Any]) -> Any:
    try:
        value = kind(text)
    except ValueError:
        raise SettingsError(f"{name}={text}: not a number") from None
    if not math.isfinite(value):
        raise SettingsError(f"{name}={text}: not finite")
    return value


def _shown(default: Any) -> str:
    if isinstance(default, bool):
        return "yes" if default else "no"
    return f"{default:g}" if isinstance(default, float) else str(default)


def _explanation(each: Field[Any]) -> str:
    text: str = each.metadata["help"]
    choices = each.metadata["choices"]
    return f"{text} ({' | '.join(choices)})" if choices else text
