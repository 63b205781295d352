"""The ring of a winding against a capacitor: formulae, and the difference of two waves."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, pi, sqrt

import numpy as np

from .checks import finite, positive
from .errors import ImpossibleSetError, MissingReadingError, OutsideRangeError
from .result import Result


@dataclass(frozen=True, slots=True, kw_only=True)
class Ring:
    """The figures of a series circuit of L, C and R; `hertz` is None where it does not ring.

    Hertz are undamped and damped, times in seconds; `decrement` is the logarithm of the ratio of
    successive peaks of one sign, `peak_ratio` that ratio.
    """

    undamped_hertz: float
    hertz: float | None
    envelope_seconds: float
    current_seconds: float
    damping: float
    quality: float
    decrement: float | None
    peak_ratio: float | None


def ring(henries: float, farads: float, ohms: float) -> Ring:
    """Give the ring of a series circuit.

    f0 = 1/(2π√(LC)), α = R/(2L), ωd = √(1/(LC) − α²), envelope τ = 2L/R, current τ = L/R,
    ζ = (R/2)·√(C/L), Q = 1/(2ζ), decrement 2πζ/√(1 − ζ²). Textbook. Raises NotPositiveError.
    """
    inductance = positive("inductance", henries)
    capacitance = positive("capacitance", farads)
    resistance = positive("resistance", ohms)
    undamped = 1 / (2 * pi * sqrt(inductance * capacitance))
    damping = resistance / 2 * sqrt(capacitance / inductance)
    rings = damping < 1
    decrement = 2 * pi * damping / sqrt(1 - damping**2) if rings else None
    return Ring(
        undamped_hertz=undamped,
        hertz=undamped * sqrt(1 - damping**2) if rings else None,
        envelope_seconds=2 * inductance / resistance,
        current_seconds=inductance / resistance,
        damping=damping,
        quality=1 / (2 * damping),
        decrement=decrement,
        peak_ratio=exp(-decrement) if decrement is not None else None,
    )


def frequency_shift(inductance_loss_per_cent: float) -> Result:
    """Give the rise of the ring's frequency in per cent when inductance falls by so many per cent.

    f'/f = 1/√(1 − d). Raises OutsideRangeError unless 0 ≤ loss < 100.
    """
    loss = finite("loss of inductance", inductance_loss_per_cent)
    if not 0 <= loss < 100:  # noqa: PLR2004 - per cent
        raise OutsideRangeError(f"a loss of inductance lies between 0 and 100 %, got {loss:g}")
    return Result(
        value=100 * (1 / sqrt(1 - loss / 100) - 1), unit="%", formula="ring-frequency-shift"
    )


def waveform_difference(
    a: Sequence[float], b: Sequence[float], *, both_directions: bool = False
) -> Result:
    """Give the area between two waves in per cent of the area of the first.

    100 · Σ|aᵢ − bᵢ| / Σ|aᵢ|, over the same window and the same instants. With `both_directions`
    each wave is the reference once and the larger figure counts. It mixes amplitude and time: ten
    per cent of gain and two per cent of frequency look alike. Raises MissingReadingError for
    waves of different length, ImpossibleSetError for a reference without area, NotFiniteError.
    """
    first = np.array([finite(f"sample {i} of the first wave", x) for i, x in enumerate(a, 1)])
    second = np.array([finite(f"sample {i} of the second wave", x) for i, x in enumerate(b, 1)])
    if len(first) != len(second) or not len(first):
        raise MissingReadingError(
            "a sample", f"the waves have {len(first)} and {len(second)} samples, not the same"
        )
    areas = [float(np.abs(first).sum()), float(np.abs(second).sum())]
    reference = min(areas) if both_directions else areas[0]
    if reference == 0:
        raise ImpossibleSetError("the reference wave has no area: nothing to compare with")
    return Result(
        value=100 * float(np.abs(first - second).sum()) / reference,
        unit="%",
        formula="waveform-difference",
    )
