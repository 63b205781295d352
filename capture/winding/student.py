"""The factor by which a standard uncertainty with few degrees of freedom is expanded."""

from math import atan2, pi, sqrt

from .errors import OutsideRangeError

_WIDEST = 700.0  # holds for one degree of freedom and 99.9 %
_HALVINGS = 60


def student_factor(freedom: int, probability: float = 0.95) -> float:
    """Give t_p(ν): how many standard uncertainties to both sides hold with a probability.

    The distribution's own closed form for whole degrees of freedom, turned over by halving
    (Abramowitz and Stegun, 26.7.3 and 26.7.4, from memory).

    Raises OutsideRangeError for a freedom below one, or a probability outside 0.5 … 0.999.
    """
    if freedom < 1:
        raise OutsideRangeError(f"{freedom} degrees of freedom tell no scatter; at least one")
    if not 0.5 <= probability <= 0.999:  # noqa: PLR2004 - what the search covers
        raise OutsideRangeError(f"probability {probability:g} is not within 0.5 … 0.999")
    low, high = 0.0, _WIDEST
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if _within(middle, freedom) < probability else (low, middle)
    return (low + high) / 2


def _within(t: float, freedom: int) -> float:
    """Give the probability of lying within ±t."""
    length = sqrt(freedom + t * t)
    cosine, sine = sqrt(freedom) / length, t / length
    odd = freedom % 2
    total, term = 0.0, cosine if odd else 1.0
    for k in range(2 if odd else 1, freedom, 2):
        total += term
        term *= cosine * cosine * k / (k + 1)
    if odd:
        return 2 / pi * (atan2(sine, cosine) + sine * total)
    return sine * total
