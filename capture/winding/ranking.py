"""Order the hypotheses by probability, and find the coil each points to."""

from collections.abc import Mapping
from math import sqrt

import numpy as np

from .hypotheses import (
    BAD_READING,
    BALANCED,
    COIL_FAULTS,
    PHASE_TO_PHASE,
    TERMINALS_FROM,
    TWO_FAULTS,
)
from .likelihood import Fit
from .suspicion import Candidate

TERMINAL = "terminal "  # before the letter of a line terminal, which is no coil


def rank(fits: Mapping[str, Fit]) -> list[Candidate]:
    """Give the hypotheses, likeliest first; several connections are weighed as equally likely."""
    top = max(float(one.score.max()) for one in fits.values())
    weights: dict[str, float] = {}
    nearest: dict[str, float] = {}
    places: dict[str, dict[str, str]] = {}
    for connection, one in fits.items():
        share = np.exp(one.score - top)
        for number, name in enumerate(one.table.names):
            chosen = one.table.hypothesis == number
            weights[name] = weights.get(name, 0.0) + float(share[chosen].sum())
            close = float(one.distance[chosen].min())
            nearest[name] = min(nearest.get(name, close), close)
            by_place = {
                place: float(share[chosen & (one.table.place == place)].sum())
                for place in range(2 * TERMINALS_FROM)
            }
            best = max(by_place, key=lambda place: by_place[place])
            if by_place[best] > 0:
                places.setdefault(name, {})[connection] = place_name(name, best, connection)
    total = sum(weights.values())
    found = [
        Candidate(
            hypothesis=name,
            probability=weight / total,
            places=places.get(name, {}),
            distance=sqrt(nearest[name]),
        )
        for name, weight in weights.items()
    ]
    return sorted(found, key=lambda one: -one.probability)


def place_name(hypothesis: str, place: int, connection: str) -> str:
    """Give the name of a coil, of a line terminal, or of a pair where it is about pairs."""
    if place >= TERMINALS_FROM:
        return f"{TERMINAL}{'UVW'[place - TERMINALS_FROM]}"
    if hypothesis in (BAD_READING, PHASE_TO_PHASE):
        pairs = ("U1-U2", "V1-V2", "W1-W2") if connection == "open" else ("U-V", "V-W", "W-U")
        return pairs[place]
    return "UVW"[place]


def apart_by(ranked: list[Candidate]) -> float:
    """Give the distance between the two best single causes, by how well each fits at best.

    Two faults at once are left out: with one of them small they fit whatever one fault fits, and
    only their probability, which pays for that freedom, speaks against a single cause.
    """
    first, *others = [one for one in ranked if one.hypothesis not in (BALANCED, TWO_FAULTS)]
    nearest = min(one.distance**2 for one in others)
    return sqrt(max(nearest - first.distance**2, 0.0))


def suspected_coils(fits: Mapping[str, Fit]) -> tuple[dict[str, str], float]:
    """Give the suspected coil for each connection, and its probability among the three coils."""
    coils: dict[str, str] = {}
    least = 1.0
    for connection, one in fits.items():
        numbers = [n for n, name in enumerate(one.table.names) if name in COIL_FAULTS]
        chosen = np.isin(one.table.hypothesis, numbers) & (one.table.place < TERMINALS_FROM)
        share = np.exp(np.where(chosen, one.score - one.score[chosen].max(), -np.inf))
        by_place = np.array([share[one.table.place == place].sum() for place in range(3)])
        by_place = by_place / by_place.sum()
        best = int(by_place.argmax())
        coils[connection] = "UVW"[best]
        least = min(least, float(by_place[best]))
    return coils, least
