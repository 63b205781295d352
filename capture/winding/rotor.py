"""What the rotor does to the pair inductances, seen by turning the shaft."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from .balance import unbalance
from .checks import finite, positive
from .errors import MissingReadingError, OutsideRangeError, UnknownChoiceError
from .result import Result
from .signature import PAIRS

AngleKind = Literal["mechanical", "electrical"]
ANGLE_KINDS: tuple[AngleKind, ...] = get_args(AngleKind)

Array = NDArray[np.float64]

_PARAMETERS = 3  # mean, cosine, sine
_FEWEST = 5  # with two to spare, so that the misfit means something
_WIDEST_GAP = 120.0  # degrees of the 2θ circle: wider, and the three parameters blur together
_SALIENT = 4.0  # an amplitude of so many residuals is a sinusoid, less is ripple


@dataclass(frozen=True, slots=True, kw_only=True)
class PairCurve:
    """The curve of one pair: mean, amplitude and phase of its sinusoid, ripple around it."""

    mean: float
    amplitude: float
    phase_degrees: float
    ripple: float
    residual: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RotorInfluence:
    """The rotor's share in the pair inductances, and the figures that are free of it.

    `mean_of_pairs` is the mean over pairs and angles (Ld + Lq of an ideal salient rotor);
    `unbalance` compares the angle-averages of the pairs: what is left there is in the stator.
    `direct` and `quadrature` are Ld and Lq where the rotor is salient.
    """

    pairs: dict[str, PairCurve]
    kind: Literal["salient", "ripple"]
    mean_of_pairs: Result
    unbalance: Result
    direct: float | None
    quadrature: float | None
    notes: tuple[str, ...]

    @property
    def value(self) -> float:
        """The position-free unbalance of the pairs in per cent."""
        return self.unbalance.value


def rotor_influence(
    angles: Sequence[float],
    uv: Sequence[float],
    vw: Sequence[float],
    wu: Sequence[float],
    pole_pairs: int,
    angle_kind: AngleKind,
) -> RotorInfluence:
    """Separate rotor from stator in pair inductances read at several shaft angles (degrees, H).

    Each pair is fitted with L(θ) = m + a·cos 2θ + b·sin 2θ, θ in electrical degrees, by least
    squares. An ideal salient rotor in star has L = (Ld + Lq) + (Lq − Ld)·cos 2θ, the other pairs
    120° apart in 2θ, so Ld and Lq are half of the least and the greatest value, and the mean of
    the three pairs is the same at every angle. For a cage rotor the means and the ripple count.
    Machine theory; the test itself is trade practice without a standard seen.

    Angles must be spread over at least one period, 180 electrical degrees. Raises
    OutsideRangeError when they are not, MissingReadingError for fewer than five angles or a
    missing reading, UnknownChoiceError, NotPositiveError.
    """
    if angle_kind not in ANGLE_KINDS:
        raise UnknownChoiceError("angle kind", angle_kind, ANGLE_KINDS)
    if pole_pairs < 1:
        raise OutsideRangeError(f"a machine has one pole pair or more, got {pole_pairs}")
    factor = pole_pairs if angle_kind == "mechanical" else 1
    electrical = factor * np.array(
        [finite(f"angle {i}", angle) for i, angle in enumerate(angles, 1)]
    )
    readings = {
        name: _inductances(name, values, len(electrical))
        for name, values in zip(PAIRS, (uv, vw, wu), strict=True)
    }
    _check_spread(electrical)
    curves = {name: _fit(electrical, values) for name, values in readings.items()}
    means = {name: curve.mean for name, curve in curves.items()}
    salient = all(c.amplitude > _SALIENT * c.residual and c.amplitude > 0 for c in curves.values())
    amplitude = float(np.mean([curve.amplitude for curve in curves.values()]))
    whole = float(np.mean(list(means.values())))
    return RotorInfluence(
        pairs=curves,
        kind="salient" if salient else "ripple",
        mean_of_pairs=Result(value=whole, unit="H", formula="position-free-inductance"),
        unbalance=_renamed(unbalance(means, "mean")),
        direct=(whole - amplitude) / 2 if salient else None,
        quadrature=(whole + amplitude) / 2 if salient else None,
        notes=_notes(curves, salient=salient),
    )


def _renamed(result: Result) -> Result:
    return Result(value=result.value, unit=result.unit, formula="inductance-unbalance-mean")


def _inductances(name: str, values: Sequence[float], count: int) -> Array:
    if len(values) != count:
        raise MissingReadingError(name, f"{count} angles need {count} readings, got {len(values)}")
    return np.array([positive(f"{name} at angle {i}", value) for i, value in enumerate(values, 1)])


def _check_spread(electrical: Array) -> None:
    if len(electrical) < _FEWEST:
        raise MissingReadingError(f"angle {len(electrical) + 1}", f"{_FEWEST} or more are needed")
    circle = np.sort(np.unique(np.round(2 * electrical % 360, 6)))
    gaps = np.diff(np.append(circle, circle[0] + 360))
    if len(circle) < _PARAMETERS or gaps.max() > _WIDEST_GAP:
        raise OutsideRangeError(
            "the angles do not cover a period: spread them evenly over 180 electrical degrees"
            f" (the widest gap is {gaps.max() / 2:.0f} electrical degrees)"
        )


def _fit(electrical: Array, values: Array) -> PairCurve:
    turn = np.deg2rad(2 * electrical)
    matrix = np.column_stack([np.ones_like(turn), np.cos(turn), np.sin(turn)])
    found, _, _, _ = np.linalg.lstsq(matrix, values, rcond=None)
    free = len(values) - _PARAMETERS
    left = values - matrix @ found
    mean, cosine, sine = (float(part) for part in found)
    return PairCurve(
        mean=mean,
        amplitude=float(np.hypot(cosine, sine)),
        phase_degrees=float(np.rad2deg(np.arctan2(sine, cosine)) % 360),
        ripple=100 * float(np.ptp(values)) / mean,
        residual=float(np.sqrt(left @ left / free)),
    )


def _notes(curves: dict[str, PairCurve], *, salient: bool) -> tuple[str, ...]:
    notes = []
    if salient:
        phases = sorted(curve.phase_degrees for curve in curves.values())
        gaps = np.diff([*phases, phases[0] + 360])
        if np.abs(gaps - 120).max() > 20:  # noqa: PLR2004 - degrees, well beyond reading noise
            notes.append("the three curves are not 120° apart: check the leads and the angles")
        amplitudes = [curve.amplitude for curve in curves.values()]
        if max(amplitudes) > 1.5 * min(amplitudes):
            notes.append("the three curves swing unequally: look at rotor and air gap too")
    else:
        notes.append("no clear sinusoid: read as ripple of a cage rotor; means count")
    return tuple(notes)
