"""Comparison of the pulse times of the three pairs, and of the two directions of each."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean, stdev
from typing import Literal, get_args

from .balance import Definition, unbalance
from .checks import positive
from .errors import UnknownChoiceError
from .measured import Measured
from .result import Result
from .signature import ENDS, pairs_of, require_pairs

Law = Literal["period", "time-constant", "rise", "unknown"]
LAWS: tuple[Law, ...] = get_args(Law)
RotorState = Literal["in", "out", "unknown"]

ASYMMETRY_CAUSES = (
    "a bad contact in one of the two touches",
    "the leads were not swapped, or not fully",
    "capacitance or leakage to earth at one end",
    "remanence, or a magnet rotor",
)
_ONE_POSITION = (
    "with {} in, pulse times depend on where it stands, and one position cannot tell rotor from"
    " winding: end the pulses and discharge the winding, then turn the shaft and compare again, or"
    " take the rotor out"
)
_SIGNIFICANT = 3.0  # standard deviations of the difference of two means


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseReadings:
    """The times of one pair in seconds: leads one way, and, where taken, leads swapped."""

    forward: Sequence[float]
    reverse: Sequence[float] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Asymmetry:
    """How far the two directions of one pair differ, and whether that exceeds repeatability."""

    per_cent: float
    repeatability_per_cent: float | None
    significant: bool | None
    causes: tuple[str, ...]
    statement: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseComparison:
    """The deviation between pairs, the terminal it points to, and the directions apart from it.

    Of six free ends `terminal` is the letter of the phase that stands apart.
    """

    deviation: Result
    means: dict[str, float]
    law: Law
    terminal: str | None
    statement: str
    asymmetry: dict[str, Asymmetry]
    notes: tuple[str, ...] = ()

    @property
    def value(self) -> float:
        """The deviation in per cent."""
        return self.deviation.value


def pulse_comparison(
    times: Mapping[str, float | Measured | PulseReadings],
    law: Law,
    definition: Definition,
    rotor: RotorState = "unknown",
) -> PulseComparison:
    """Compare the pulse times of three pairs by the definition that the site chose.

    The pairs are U-V, V-W and W-U, or, of six free ends, U1-U2, V1-V2 and W1-W2.

    The deviation is the unbalance of the pair means, in per cent. Directions are compared apart
    from it, and first with the scatter of repeated readings: a linear winding that floats is
    reciprocal, so a difference between directions is never a sign of a turn fault.

    `law` is what the instrument's number follows: a period ∝ √L, a time constant ∝ L/R, a rise
    time ∝ L, or nobody knows. The inductance, and so the time, of a pair depends on where a rotor
    stands, whatever the law: `notes` say so unless the rotor is out. Raises MissingReadingError for
    a missing pair, UnknownChoiceError, NotPositiveError.
    """
    if law not in LAWS:
        raise UnknownChoiceError("law", law, LAWS)
    require_pairs(times)
    numbers: dict[str, float | Measured] = {}
    asymmetry = {}
    for pair in pairs_of(times):
        entry = times[pair]
        if isinstance(entry, PulseReadings):
            numbers[pair] = _mean(pair, entry)
            if entry.reverse:
                asymmetry[pair] = _asymmetry(pair, entry)
        else:
            numbers[pair] = entry
    deviation = unbalance(numbers, definition)
    means = {pair: float(number) for pair, number in numbers.items()}
    terminal, statement = _terminal(means, deviation)
    return PulseComparison(
        deviation=replace(deviation, formula=f"pulse-deviation-{definition}"),
        means=means,
        law=law,
        terminal=terminal,
        statement=statement,
        asymmetry=asymmetry,
        notes=_rotor_notes(rotor),
    )


def _rotor_notes(rotor: RotorState) -> tuple[str, ...]:
    match rotor:
        case "out":
            return ()
        case "in":
            return (_ONE_POSITION.format("the rotor"),)
        case _:
            return (f"nobody said whether the rotor is in: {_ONE_POSITION.format('it')}",)


def _mean(pair: str, entry: PulseReadings) -> float | Measured:
    directions = [entry.forward, entry.reverse] if entry.reverse else [entry.forward]
    if not entry.forward:
        require_pairs({pair: None})
    means, variances = [], []
    for name, readings in zip(("forward", "reverse"), directions, strict=False):
        checked = [positive(f"{pair} {name} {i}", time) for i, time in enumerate(readings, 1)]
        means.append(fmean(checked))
        if len(checked) > 1:
            variances.append(stdev(checked) ** 2 / len(checked))
    value = fmean(means)
    if len(variances) < len(means):
        return value
    return Measured(value=value, random=sum(variances) ** 0.5 / len(means))


def _asymmetry(pair: str, entry: PulseReadings) -> Asymmetry:
    forward, reverse = fmean(entry.forward), fmean(entry.reverse)
    middle = (forward + reverse) / 2
    difference = 100 * (forward - reverse) / middle
    if len(entry.forward) < 2 or len(entry.reverse) < 2:  # noqa: PLR2004 - no scatter from one
        return Asymmetry(
            per_cent=difference,
            repeatability_per_cent=None,
            significant=None,
            causes=(),
            statement=f"{pair} differs by {difference:+z.2f} % between directions; repeat each"
            " direction to see whether that is more than scatter",
        )
    scatter = (
        stdev(entry.forward) ** 2 / len(entry.forward)
        + stdev(entry.reverse) ** 2 / len(entry.reverse)
    ) ** 0.5
    significant = abs(forward - reverse) > _SIGNIFICANT * scatter
    than = "more than" if significant else "within"
    return Asymmetry(
        per_cent=difference,
        repeatability_per_cent=100 * scatter / middle,
        significant=significant,
        causes=ASYMMETRY_CAUSES if significant else (),
        statement=f"{pair} differs by {difference:+z.2f} % between directions, {than} the scatter "
        f"of {100 * scatter / middle:.2f} %",
    )


def _terminal(means: Mapping[str, float], deviation: Result) -> tuple[str | None, str]:
    """Name the terminal that two like pairs share, when the third stands apart from both.

    Between the ends of its own phase a time speaks of that phase, so the one apart is named itself.
    """
    floor = deviation.coverage.floor if deviation.coverage else 0.0
    if deviation.value <= floor:
        return None, "no difference beyond the scatter of the readings"
    low, middle, high = sorted(means, key=lambda pair: means[pair])
    below, above = means[middle] - means[low], means[high] - means[middle]
    if max(below, above) < 2 * min(below, above):
        if low in ENDS:
            return None, "the three phases differ in steps: none of them stands apart"
        return None, "the three pairs differ in steps: they point to no single terminal"
    if low in ENDS:
        odd, word = (high, "more") if above > below else (low, "less")
        return odd[:1], f"phase {odd[:1]} reads {word} than the two others"
    odd, word = (high, "low") if above > below else (low, "high")
    # In the order of the pairs: which of two like ones reads less is chance.
    first, second = (pair for pair in pairs_of(means) if pair != odd)
    common = next(iter(set(first.split("-")) & set(second.split("-"))))
    return common, f"the two {word} pairs, {first} and {second}, share {common}"
