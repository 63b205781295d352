"""What the three pairs of a wound rotor's rings say by themselves: an open phase, an odd one out.

No limit is known to be written for a rotor's resistances, so this names places and judges nothing.
"""

from collections.abc import Mapping

from capture.winding import Bounded, Measured

ROTOR_PAIRS = ("K-L", "L-M", "M-K")
#: Per cent between the pairs from which on a place is named (common practice, no source: what sound
#: pairs of a stator may differ by).
_TOLD = 2.0
_APART = 2.0  # how many times further off the odd pair must be than the two others from each other


def ring_words(pairs: Mapping[str, Measured | Bounded]) -> list[str]:
    """Say which ring two pairs point to; empty where they point to none, or one pair is missing."""
    if set(pairs) != set(ROTOR_PAIRS):
        return []
    opened = [pair for pair in ROTOR_PAIRS if isinstance(pairs[pair], Bounded)]
    if opened:
        return [_open(opened)]
    ohms = {pair: each.value for pair, each in pairs.items() if isinstance(each, Measured)}
    low, middle, high = sorted(ohms, key=lambda pair: ohms[pair])
    below, above = ohms[middle] - ohms[low], ohms[high] - ohms[middle]
    mean = sum(ohms.values()) / len(ohms)
    apart = max(below, above) >= _APART * min(below, above)
    if not apart or 100 * max(below, above) < _TOLD * mean:
        return []
    odd, word = (high, "less") if above > below else (low, "more")
    one, other = (pair for pair in ROTOR_PAIRS if pair != odd)
    ring = _shared(one, other)
    said = f"{one} and {other} read {word} than {odd}, and share {ring}"
    return [f"{said}: look at ring {ring}, its lead and phase"]


def _open(opened: list[str]) -> str:
    match opened:
        case [one, other]:
            ring = _shared(one, other)
            return (
                f"{one} and {other} are open and share {ring}: phase {ring} of the rotor is open, "
                "or its lead"
            )
        case [alone]:
            return (
                f"{alone} alone is open while its two rings each read through the third: take it "
                "again"
            )
        case _:
            return "all pairs of the rotor are open: two or more phases are, or the leads are off"


def _shared(one: str, other: str) -> str:
    return next(ring for ring in one.split("-") if ring in other.split("-"))
