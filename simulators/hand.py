"""The hand at the bench: named commands that move leads, press keys and read displays."""

from collections.abc import Callable
from dataclasses import dataclass

Act = Callable[[str, float], str]


class RefusedError(ValueError):
    """A hand command that cannot be done; the text says why in one line."""


@dataclass(frozen=True, slots=True)
class _Entry:
    usage: str
    act: Act


class Hand:
    """A table of hand commands. An act takes (rest of line, now) and returns what it did."""

    def __init__(self) -> None:
        self._entries: dict[str, _Entry] = {}
        self.add("help", "help", lambda _rest, _now: "; ".join(self.usages()))

    def add(self, name: str, usage: str, act: Act) -> None:
        """Add a command; a second one of the same name replaces the first."""
        self._entries[name] = _Entry(usage, act)

    def usages(self) -> list[str]:
        """Return how each command is written."""
        return [entry.usage for entry in self._entries.values()]

    def knows(self, line: str) -> bool:
        """Tell whether the line's first word is a command of this table."""
        return line.strip().partition(" ")[0] in self._entries

    def obey(self, line: str, now: float) -> str:
        """Do what the line says; return one line, `ok: ...` or `no: ...`. Never raises for text."""
        name, _, rest = line.strip().partition(" ")
        entry = self._entries.get(name)
        if entry is None:
            return f"no: unknown command {name!r}; known: {'; '.join(self.usages())}"
        try:
            done = entry.act(rest.strip(), now)
        except RefusedError as error:
            return f"no: {error} (usage: {entry.usage})"
        return f"ok: {done}"


def number(text: str) -> float:
    """Read a finite number; raise RefusedError when it is none."""
    try:
        value = float(text)
    except ValueError:
        raise RefusedError(f"{text!r} is not a number") from None
    if value - value != 0:
        raise RefusedError(f"{text!r} is not finite")
    return value
