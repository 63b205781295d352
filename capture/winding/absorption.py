"""Insulation resistance over time: ratios, the absorption curve, and when they mean something."""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import log
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .checks import finite, positive
from .errors import (
    ImpossibleSetError,
    MissingReadingError,
    OutsideRangeError,
    UnknownChoiceError,
)
from .insulation import WINDINGS, Insulation, Winding, insulation_at_40
from .measured import COVERAGE_FACTOR
from .result import Bound, Bounded, Judgement, Result, Verdict

Sample = float | Bounded | None
Array = NDArray[np.float64]

PI_NOT_ABOVE_OHMS = 5e9  # at 40 °C; public texts quoting IEEE Std 43-2013, 12.2.2: "above"
_BRITTLE = 8.0
_NEAR = 0.1  # a sample may stand this share of the asked time away, on either side
_MINUTE = 60.0

Kind = Winding | Literal["concentric", "unknown"]
KINDS: tuple[Kind, ...] = (*WINDINGS, "concentric", "unknown")

# Why a kind of winding gets no index unless somebody asks for it. The limits are written for
# form-wound windings; those of the others are there to be named as what they are.
_NO_INDEX: dict[Kind, str] = {
    "random": "random-wound",
    "field": "it is for form-wound windings, and this is a field winding",
    "dc-armature": "it is for form-wound windings, and this is a DC armature",
}
# Why it may not apply to one that gets it, and that may be form-wound or not.
_PERHAPS_INDEX: dict[Kind, str] = {
    "concentric": "that a winding is concentric does not say whether it is",
    "unknown": "the kind of this one is not known",
}


def resistance_at(
    times: Sequence[float], ohms: Sequence[Sample], seconds: float
) -> float | Bounded:
    """Give the insulation resistance at a time, between samples by a line on log axes.

    A sample at the very time is given as it is, a bounded one too. Raises MissingReadingError
    when there is none at the time and no pair within a tenth of it on both sides.
    """
    samples = _sorted(times, ohms)
    for time, reading in samples:
        if time == seconds and reading is not None:
            return reading
    known = [(t, r) for t, r in samples if r is not None and not isinstance(r, Bounded)]
    before = [(t, r) for t, r in known if seconds * (1 - _NEAR) <= t < seconds]
    after = [(t, r) for t, r in known if seconds < t <= seconds * (1 + _NEAR)]
    if not before or not after:
        raise MissingReadingError(
            f"the reading at {seconds:g} s", "no sample there, nor close on both sides of it"
        )
    (t0, r0), (t1, r1) = before[-1], after[0]
    share = log(seconds / t0) / log(t1 / t0)
    return float(r0 ** (1 - share) * r1**share)


def polarization_index(
    times: Sequence[float], ohms: Sequence[Sample], *, relative_uncertainty: float = 0.0
) -> Result:
    """Give IR(10 min)/IR(1 min) from samples in seconds and ohms.

    `relative_uncertainty` is the standard one of a single reading, beyond the gain which both
    share. No temperature correction: a ratio at one temperature needs none. A bounded reading
    gives a bounded ratio. Raises MissingReadingError where the readings do not reach.
    """
    return _ratio(times, ohms, 600.0, 60.0, "polarization-index", relative_uncertainty)


def absorption_ratio(
    times: Sequence[float],
    ohms: Sequence[Sample],
    *,
    late: float = 60.0,
    early: float = 30.0,
    relative_uncertainty: float = 0.0,
) -> Result:
    """Give IR(late)/IR(early); 60 s over 30 s unless told otherwise.

    60/15 s and 3 min/30 s circulate too, so the times are part of the formula's name and of the
    constants. Raises OutsideRangeError unless late is after early.
    """
    if not 0 < early < late:
        raise OutsideRangeError(f"{late:g} s must come after {early:g} s")
    name = f"absorption-ratio-{late:g}-{early:g}"
    return _ratio(times, ohms, late, early, name, relative_uncertainty)


def _ratio(
    times: Sequence[float],
    ohms: Sequence[Sample],
    late: float,
    early: float,
    formula: str,
    relative: float,
) -> Result:
    top, bottom = resistance_at(times, ohms, late), resistance_at(times, ohms, early)
    if isinstance(top, Bounded) and isinstance(bottom, Bounded):
        raise MissingReadingError(formula, "both readings are known only as bounds")
    bound: Bound | None = None
    if isinstance(top, Bounded):
        bound, over = top.side, top.bound
    else:
        over = top
    if isinstance(bottom, Bounded):
        bound, under = "below" if bottom.side == "above" else "above", bottom.bound
    else:
        under = bottom
    ratio = over / under
    notes: tuple[str, ...] = ()
    if formula == "polarization-index" and ratio > _BRITTLE:
        notes = ("above 8: insulation may be dry and brittle",)
    return Result(
        value=ratio,
        unit="1",
        formula=formula,
        constants={"late_seconds": late, "early_seconds": early},
        bound=bound,
        uncertainty=COVERAGE_FACTOR * ratio * relative * 2**0.5 if relative else None,
        coverage_factor=COVERAGE_FACTOR if relative else None,
        notes=notes,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class InsulationIndices:
    """What a series of insulation readings gives: the 1 min value at 40 °C and the ratios."""

    one_minute_at_40: Result
    polarization_index: Result | None
    short_ratio: Result | None
    notes: tuple[str, ...]


def insulation_indices(
    times: Sequence[float],
    ohms: Sequence[Sample],
    *,
    celsius: float,
    insulation: Insulation,
    winding: Kind,
    want_polarization_index: bool = False,
) -> InsulationIndices:
    """Give those figures of an insulation series that mean something for the kind of winding.

    A form-wound winding gets the polarization index; a random-wound one, whose absorption is over
    within seconds, the short ratio, and the index only on request. So do field windings and DC
    armatures, for which the limits were not written: bare conductors and a commutator lead current
    over their surface, which hides absorption (memory, medium). A note says which of these it is.
    Where nobody knows the kind, or only that it is concentric, the index is given with a note that
    it may not apply. The index of a winding above 5 GΩ (1 min, 40 °C) is given and marked as not
    applicable. Raises UnknownChoiceError, and what its parts raise.
    """
    if winding not in KINDS:
        raise UnknownChoiceError("winding", winding, KINDS)
    first = resistance_at(times, ohms, _MINUTE)
    bounded = first if isinstance(first, Bounded) else None
    minute = insulation_at_40(bounded.bound if bounded else first, celsius, insulation)
    if bounded:
        minute = _as_bound(minute, bounded)
    notes: list[str] = []
    short_notes: list[str] = []
    short = None
    try:
        short = absorption_ratio(times, ohms)
    except MissingReadingError as error:
        short_notes.append(f"no short ratio: {error}")
    index = None
    if winding in _NO_INDEX and not want_polarization_index:
        instead = "; the short ratio stands instead" if short else ""
        notes.append(f"polarization index not applied: {_NO_INDEX[winding]}{instead}")
    else:
        try:
            index = _judged_applicable(polarization_index(times, ohms), minute)
            if winding in _PERHAPS_INDEX:
                perhaps = _PERHAPS_INDEX[winding]
                notes.append(f"the polarization index is for form-wound windings, and {perhaps}")
        except MissingReadingError as error:
            notes.append(f"no polarization index: {error}")
    notes += short_notes
    return InsulationIndices(
        one_minute_at_40=minute, polarization_index=index, short_ratio=short, notes=tuple(notes)
    )


def polarization_index_applies(one_minute_at_40: float) -> bool:
    """Tell whether the index says anything: not above 5 GΩ, strictly."""
    return one_minute_at_40 <= PI_NOT_ABOVE_OHMS


def _judged_applicable(index: Result, minute: Result) -> Result:
    if polarization_index_applies(minute.value):
        return index
    return replace(
        index,
        judgement=Judgement(
            verdict=Verdict.NOT_APPLICABLE,
            limit=PI_NOT_ABOVE_OHMS,
            side="upper",
            rule="simple",
            acceptance_limit=PI_NOT_ABOVE_OHMS,
            guard=0.0,
            source="IEEE Std 43-2013, 12.2.2",
            confidence="public text",
            reason="the 1 min value at 40 °C is above 5 GΩ",
        ),
    )


def _as_bound(result: Result, bounded: Bounded) -> Result:
    return replace(result, bound=bounded.side)


@dataclass(frozen=True, slots=True, kw_only=True)
class InsulationCurve:
    """The conductance of the insulation over time: G(t) = g + a·(t/60 s)^(−n).

    `leakage_siemens` is g, what is left for ever; `absorption_siemens` is a at one minute,
    `exponent` n. `scatter` is the standard deviation of the readings around the curve, relative.
    `set_aside` names the samples that the fit did not use, and why; none is dropped in silence.
    """

    leakage_siemens: float
    absorption_siemens: float
    exponent: float
    scatter: float
    used: int
    set_aside: dict[str, str]

    def ohms_at(self, seconds: float) -> float:
        """Give the resistance that the curve has at a time."""
        share = (positive("time", seconds) / _MINUTE) ** -self.exponent
        return float(1 / (self.leakage_siemens + self.absorption_siemens * share))

    @property
    def value(self) -> float:
        """The resistance that leakage alone would leave, in ohms."""
        return 1 / self.leakage_siemens if self.leakage_siemens > 0 else float("inf")


_FEWEST = 5
_SPAN = 4.0  # last over first time: less, and leakage cannot be told from slow absorption
_EXPONENTS = (0.1, 2.0)
_HUBER = 1.345  # robust weight limit in standard deviations: 95 % efficient on clean noise
_OUTLIER = 6.0
_ROUNDING = 1e-9
_ROUNDS = 20
_SETTLED = 5  # rounds after which a reading far off the curve loses all weight


def insulation_curve(times: Sequence[float], ohms: Sequence[Sample]) -> InsulationCurve:
    """Fit leakage and absorption to insulation readings in seconds and ohms.

    The current of a test at constant voltage is a steady leakage and an absorption that decays as
    a power of time (Curie and von Schweidler). For each exponent the two conductances follow by
    weighted least squares on relative errors, never negative; the exponent by a search. Readings
    off the curve lose weight (Huber), those far off all of it, and are named. Missing and bounded
    readings are set aside, named. Raises MissingReadingError for fewer than five usable readings
    or a span in time of less than four, NotPositiveError for a reading or a time of zero or less.
    """
    samples = _sorted(times, ohms)
    aside: dict[str, str] = {}
    usable: list[tuple[float, float]] = []
    for time, reading in samples:
        name = f"reading at {time:g} s"
        if reading is None:
            aside[name] = "missing"
        elif isinstance(reading, Bounded):
            aside[name] = f"known only to be {reading.side} {reading.bound:g} Ohm"
        else:
            usable.append((time, reading))
    if len(usable) < _FEWEST or usable[-1][0] < _SPAN * usable[0][0]:
        raise MissingReadingError(
            "readings for the curve",
            f"{_FEWEST} or more are needed, the last at {_SPAN:g} times the first time or later;"
            f" {len(usable)} usable",
        )
    t = np.array([time for time, _ in usable]) / _MINUTE
    r = np.array([reading for _, reading in usable])
    exponent, pair, weights, residual = _search(t, r)
    scale = _scale(residual)
    for (time, _), off in zip(usable, residual, strict=True):
        if abs(off) > _OUTLIER * scale and abs(off) > 0.01:  # noqa: PLR2004 - 1 %, beyond rounding
            aside[f"reading at {time:g} s"] = f"{100 * off:+z.0f} % off the curve, given no weight"
    kept = weights > 0.99  # noqa: PLR2004 - full weight
    return InsulationCurve(
        leakage_siemens=float(pair[0]),
        absorption_siemens=float(pair[1]),
        exponent=exponent,
        scatter=float(np.sqrt(np.mean(residual[kept] ** 2))) if kept.any() else scale,
        used=len(usable),
        set_aside=aside,
    )


def _search(t: Array, r: Array) -> tuple[float, Array, Array, Array]:
    weights = np.ones_like(r)
    exponent = 1.0
    pair = np.zeros(2)
    residual = np.zeros_like(r)
    for turn in range(_ROUNDS):

        def loss(n: float, weights: Array = weights) -> float:
            _, left = _conductances(t, r, n, weights)
            return float(weights @ left**2)

        exponent = _least(loss, *_EXPONENTS)
        pair, residual = _conductances(t, r, exponent, weights)
        scale = _scale(residual)
        before = weights
        off = np.maximum(np.abs(residual), 1e-300)
        weights = np.minimum(1.0, _HUBER * scale / off)
        if turn >= _SETTLED:
            weights[off > _OUTLIER * scale] = 0
        # A clean series has no scatter to speak of: its rounding errors are no outliers.
        if scale < _ROUNDING or (turn > _SETTLED and np.allclose(before, weights, atol=1e-3)):
            break
    return exponent, pair, weights, residual


def _conductances(t: Array, r: Array, exponent: float, weights: Array) -> tuple[Array, Array]:
    # Rows r·(g + a·t^-n) = 1: errors are relative, as those of an insulation tester are.
    matrix = np.column_stack([r, r * t**-exponent])
    root = np.sqrt(weights)
    found, _, _, _ = np.linalg.lstsq(matrix * root[:, None], root, rcond=None)
    if (found < 0).any():
        tries = []
        for column in (0, 1):
            alone = matrix[:, column]
            one = np.zeros(2)
            one[column] = (weights @ alone) / (weights @ alone**2)
            tries.append(one)
        found = min(tries, key=lambda pair: float(weights @ (matrix @ pair - 1) ** 2))
    return found, matrix @ found - 1


def _scale(residual: Array) -> float:
    return float(1.4826 * np.median(np.abs(residual)))  # of a normal distribution


def _least(loss: Callable[[float], float], low: float, high: float) -> float:
    """Find the least of a function of one number: a coarse scan, then the golden section."""
    grid = np.linspace(low, high, 39)
    best = int(np.argmin([loss(float(n)) for n in grid]))
    a, b = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, len(grid) - 1)])
    golden = (5**0.5 - 1) / 2
    for _ in range(60):
        c, d = b - golden * (b - a), a + golden * (b - a)
        if loss(c) < loss(d):
            b = d
        else:
            a = c
    return (a + b) / 2


def _sorted(times: Sequence[float], ohms: Sequence[Sample]) -> list[tuple[float, Sample]]:
    if len(times) != len(ohms):
        raise MissingReadingError("a time or a resistance", "there must be one time a reading")
    samples: list[tuple[float, Sample]] = []
    for place, (time, reading) in enumerate(zip(times, ohms, strict=True), 1):
        at = positive(f"time {place}", time)
        if isinstance(reading, Bounded):
            finite(f"bound at {at:g} s", reading.bound)
            samples.append((at, reading))
        else:
            samples.append(
                (at, None if reading is None else positive(f"reading at {at:g} s", reading))
            )
    samples.sort(key=lambda sample: sample[0])
    for (one, _), (other, _) in itertools.pairwise(samples):
        if one == other:
            raise ImpossibleSetError(
                f"two readings at {one:g} s: an insulation series has one a time"
            )
    return samples
