"""From what a data sheet, a certificate or a row of readings says to a standard uncertainty.

Type B by JCGM 100:2008 4.3, Type A by 4.2 (clauses from memory, formulae in any textbook).
"""

from collections.abc import Iterable
from math import fsum, hypot, isfinite, sqrt

from .checks import finite, named, positive
from .errors import MissingReadingError, OutsideRangeError


def accuracy_limits(
    reading: float,
    *,
    percent_of_reading: float = 0.0,
    counts: float = 0.0,
    resolution: float = 0.0,
    percent_of_range: float = 0.0,
    full_range: float = 0.0,
) -> float:
    """Give the limits ±a of an accuracy specification, in the unit of the reading.

    a = p·|reading| + n·resolution + q·range, p and q in per cent. Raises OutsideRangeError for a
    negative part, NotFiniteError for a reading that is none.
    """
    parts = (percent_of_reading, counts, resolution, percent_of_range, full_range)
    if not all(isfinite(part) and part >= 0 for part in parts):
        raise OutsideRangeError(f"an accuracy specification has no negative part, got {parts}")
    return (
        percent_of_reading / 100 * abs(finite("reading", reading))
        + counts * resolution
        + percent_of_range / 100 * full_range
    )


def rectangular(half_width: float) -> float:
    """Give a/√3: limits ±a, nothing else known (JCGM 100, 4.3.7)."""
    return half_width / sqrt(3)


def triangular(half_width: float) -> float:
    """Give a/√6: limits ±a, the middle likelier than the edges (JCGM 100, 4.3.9)."""
    return half_width / sqrt(6)


def u_shaped(half_width: float) -> float:
    """Give a/√2: limits ±a of a value that swings between them."""
    return half_width / sqrt(2)


def from_certificate(expanded: float, coverage_factor: float) -> float:
    """Give U/k of a calibration certificate (JCGM 100, 4.3.3)."""
    return expanded / positive("coverage factor", coverage_factor)


def resolution_only(step: float) -> float:
    """Give d/√12 for the last digit d, only where the counts of the data sheet leave it out."""
    return step / sqrt(12)


def repeatability(values: Iterable[float]) -> float:
    """Give s/√n, the standard uncertainty of the mean of repeated readings (JCGM 100, 4.2.3).

    Raises MissingReadingError for fewer than two readings.
    """
    readings = [finite(name, value) for name, value in named(values).items()]
    count = len(readings)
    if count < 2:  # noqa: PLR2004 - one reading has no scatter
        raise MissingReadingError("a second reading", "one reading says nothing of its scatter")
    mean = fsum(readings) / count
    variance = fsum((reading - mean) ** 2 for reading in readings) / (count - 1)
    return sqrt(variance / count)


def combine(*standard: float) -> float:
    """Give the root of the sum of squares of independent standard uncertainties."""
    return hypot(*standard)


def effective_freedom(parts: Iterable[tuple[float, float]]) -> float:
    """Give ν_eff by Welch–Satterthwaite for pairs of (standard uncertainty, degrees of freedom).

    ν_eff = u_c⁴ / Σ(uᵢ⁴/νᵢ) (JCGM 100, G.4). A Type B part may have infinite freedom; so may the
    answer.
    """
    listed = list(parts)
    total = combine(*(u for u, _ in listed))
    below = fsum(u**4 / freedom for u, freedom in listed)
    return total**4 / below if below else float("inf")
