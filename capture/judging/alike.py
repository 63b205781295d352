"""Parts that are built alike, read one after the other: coils of poles, bars of a commutator.

Each is held against the mean of all. A coil is written with its number before the mark, 1F1-1F2 for
that of the first pole (IEC 60034-8, from memory: a number before the letters tells windings apart);
of bars no standard mark is known, and they are written BAR1-BAR2.
"""

import re
from collections.abc import Iterable

_OF_BARS = "bar to bar"
# The letters of poles: B commutating, C compensating, D series, E shunt, F separately excited.
_COIL = re.compile(r"([1-9])([B-F])1-([1-9])([B-F])2\Z")
_BARS = re.compile(r"BAR([0-9]{1,2})-BAR([0-9]{1,2})\Z")


def alike(places: Iterable[str]) -> dict[str, list[str]]:
    """Sort the places that are of parts built alike by what they are of; at least two of each."""
    found: dict[str, list[str]] = {}
    for place in places:
        name = _name(place)
        if name is not None:
            found.setdefault(name, []).append(place)
    return {name: group for name, group in found.items() if len(group) > 1}


def is_coil(name: str) -> bool:
    """Tell whether parts of this name are coils of poles, which a limit is known for."""
    return name != _OF_BARS


def is_of_coil(place: str) -> bool:
    """Tell whether a place is one coil of several poles, which its like are held against."""
    name = _name(place)
    return name is not None and is_coil(name)


def _name(place: str) -> str | None:
    coil = _COIL.match(place)
    if coil is not None and coil[1] == coil[3] and coil[2] == coil[4]:
        return f"field coils {coil[2]}"
    return _OF_BARS if _BARS.match(place) else None
