"""One thing that was looked at, how it is, and what to do about it."""

from dataclasses import dataclass
from typing import Literal

Level = Literal["ok", "look", "wrong"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at.

    Attributes:
        level: ``ok``; ``look``, where a person should know of it; ``wrong``, where a bench will not
            work as configured.
        what: what was looked at.
        says: how it is, in one line.
        do: what to do about it; empty where nothing is to be done.
    """

    level: Level
    what: str
    says: str
    do: str = ""


def ok(what: str, says: str) -> Finding:
    """Find something as it should be."""
    return Finding("ok", what, says)


def look(what: str, says: str, do: str) -> Finding:
    """Find something that a person should know of."""
    return Finding("look", what, says, do)


def wrong(what: str, says: str, do: str = "") -> Finding:
    """Find something wrong; ``do`` may be left out where ``says`` tells it already."""
    return Finding("wrong", what, says, do)
