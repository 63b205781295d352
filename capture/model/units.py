"""Units as instruments and people write them, brought to UCUM base units by exact powers of ten.

Prefixes are case-sensitive: mΩ and MΩ are nine decades apart. Two families of senders disagree on
a capital M: SI reads mega, the suffix table of IEEE 488.2 reads milli except before OHM and HZ,
where both read mega. So a capital M is taken before ohm and hertz only and refused elsewhere; a
profile that knows its instrument can map such a unit explicitly.
"""

from dataclasses import dataclass
from functools import lru_cache

from capture.errors import InputError


@dataclass(frozen=True, slots=True)
class Scale:
    """A shown unit: the UCUM code of its base unit and the power of ten between the two."""

    unit: str
    exponent: int


# Spellings of the base units. Exact: "S" is siemens and never second, "h" is nobody's henry.
_BASE: dict[str, str] = {
    "\N{GREEK CAPITAL LETTER OMEGA}": "Ohm",
    "\N{OHM SIGN}": "Ohm",
    "Ohm": "Ohm",
    "ohm": "Ohm",
    "OHM": "Ohm",
    "Ohms": "Ohm",
    "ohms": "Ohm",
    "OHMS": "Ohm",
    "H": "H",
    "s": "s",
    "sec": "s",
    "SEC": "s",
    "V": "V",
    "A": "A",
    "F": "F",
    "W": "W",
    "S": "S",
    "Hz": "Hz",
    "HZ": "Hz",
    "hz": "Hz",
}

# Units that take no prefix.
_BARE: dict[str, str] = {
    "Cel": "Cel",
    "\N{DEGREE SIGN}C": "Cel",
    "\N{DEGREE CELSIUS}": "Cel",
    "degC": "Cel",
    "deg": "deg",
    "\N{DEGREE SIGN}": "deg",
    "%": "%",
    "1": "1",
}

_PREFIX: dict[str, int] = {
    "p": -12,
    "n": -9,
    "u": -6,
    "\N{MICRO SIGN}": -6,
    "\N{GREEK SMALL LETTER MU}": -6,
    "m": -3,
    "k": 3,
    "K": 3,
    "M": 6,
    "G": 9,
    "T": 12,
}

_MEGA_IN_BOTH = frozenset({"Ohm", "Hz"})

#: UCUM codes that readings are stored in.
UNIT_CODES = tuple(sorted({*_BASE.values(), *_BARE.values()}))

#: For error messages: what a person may write.
ACCEPTED = "Ω Ohm H s V A F W S Hz with prefix p n u µ m k M G T, or °C Cel deg ° % 1"


@lru_cache(maxsize=512)
def parse_unit(shown: str) -> Scale:
    """Read a unit as shown, such as ``mΩ``, ``kOHM`` or ``µs``.

    Raises:
        InputError: the unit is unknown, or its prefix could mean two decades.
    """
    bare = _BARE.get(shown) or _BASE.get(shown)
    if bare is not None:
        return Scale(bare, 0)
    exponent = _PREFIX.get(shown[:1])
    base = _BASE.get(shown[1:])
    if exponent is None or base is None:
        raise InputError(f"unit {shown!r} is not known; accepted are {ACCEPTED}")
    if shown[0] == "M" and base not in _MEGA_IN_BOTH:
        raise InputError(
            f"unit {shown!r} is ambiguous: SI reads mega, the IEEE 488.2 suffix table reads milli; "
            f"write m{base} for milli"
        )
    return Scale(base, exponent)
