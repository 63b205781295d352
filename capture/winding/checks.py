"""Refuse readings that no formula may be given, naming the culprit."""

import math
from collections.abc import Iterable, Mapping
from typing import TypeVar

from .errors import MissingReadingError, NotFiniteError, NotPositiveError

T = TypeVar("T")


def finite(name: str, value: float | None) -> float:
    """Give the value back as a float, or raise MissingReadingError or NotFiniteError."""
    if value is None:
        raise MissingReadingError(name, "no value was given")
    number = float(value)
    if not math.isfinite(number):
        raise NotFiniteError(name, number)
    return number


def positive(name: str, value: float | None, why: str = "only more than zero can be") -> float:
    """Give a value above zero back, or raise what `finite` raises, or NotPositiveError."""
    number = finite(name, value)
    if number <= 0:
        raise NotPositiveError(name, number, why)
    return number


def named(values: Mapping[str, T] | Iterable[T]) -> dict[str, T]:
    """Give each value a name to blame: its key, or `reading 1`, `reading 2` and so on."""
    if isinstance(values, Mapping):
        return dict(values)
    return {f"reading {place}": value for place, value in enumerate(values, start=1)}
