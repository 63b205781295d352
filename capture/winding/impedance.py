"""Inductance, resistance and angle at one frequency, in the series and the parallel model."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from math import cos, pi, radians, sin
from typing import Literal, get_args

from uncertainties import umath

from .balance import Definition, range_notes, unbalance
from .checks import positive
from .errors import (
    MissingReadingError,
    MixedConditionsError,
    OutsideRangeError,
    UnknownChoiceError,
)
from .measured import Number, Variable, linear_result, nominal, variables
from .result import Result
from .signature import require_pairs

Model = Literal["series", "parallel"]
MODELS: tuple[Model, ...] = get_args(Model)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesParallel:
    """One impedance in both models: henries, ohms, quality and loss factor (the same in both)."""

    series_henries: Result
    series_ohms: Result
    parallel_henries: Result
    parallel_ohms: Result
    quality: Result
    loss: Result


def series_parallel(henries: Number, ohms: Number, hertz: Number, given: Model) -> SeriesParallel:
    """Convert an inductance and a resistance between the series and the parallel model.

    With ω = 2πf and Q = ωLs/Rs = Rp/(ωLp): Rp = Rs(1 + Q²), Lp = Ls(1 + 1/Q²). For the same
    frequency and level only: iron and eddy currents change both with either. Textbook.
    Raises UnknownChoiceError for another model, NotPositiveError.
    """
    if given not in MODELS:
        raise UnknownChoiceError("model", given, MODELS)
    of = (henries, ohms, hertz)
    for name, number in zip(("inductance", "resistance", "frequency"), of, strict=True):
        positive(name, nominal(name, number))
    inductance, resistance, frequency = variables(of)
    omega = 2 * pi * frequency
    if given == "series":
        q = omega * inductance / resistance
        ls, rs = inductance, resistance
        lp, rp = ls * (1 + 1 / q**2), rs * (1 + q**2)
    else:
        q = resistance / (omega * inductance)
        lp, rp = inductance, resistance
        ls, rs = lp * q**2 / (1 + q**2), rp / (1 + q**2)

    def result(variable: object, unit: str, formula: str) -> Result:
        constants = {"hertz": nominal("frequency", hertz)}
        return linear_result(variable, unit=unit, formula=formula, of=of, constants=constants)

    return SeriesParallel(
        series_henries=result(ls, "H", "series-inductance"),
        series_ohms=result(rs, "Ohm", "series-resistance"),
        parallel_henries=result(lp, "H", "parallel-inductance"),
        parallel_ohms=result(rp, "Ohm", "parallel-resistance"),
        quality=result(q, "1", "quality-factor"),
        loss=result(1 / q, "1", "loss-factor"),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Impedance:
    """An impedance in all its usual forms."""

    ohms: Result
    reactance: Result
    magnitude: Result
    degrees: Result
    quality: Result
    loss: Result


def impedance(henries: Number, ohms: Number, hertz: Number) -> Impedance:
    """Give reactance, magnitude, phase angle, Q and D of a series inductance and resistance.

    X = ωLs, |Z| = √(Rs² + X²), θ = atan2(X, Rs), Q = X/Rs, D = 1/Q. Raises NotPositiveError.
    """
    of = (henries, ohms, hertz)
    for name, number in zip(("inductance", "resistance", "frequency"), of, strict=True):
        positive(name, nominal(name, number))
    inductance, resistance, frequency = variables(of)
    return _impedance(resistance, 2 * pi * frequency * inductance, of)


def impedance_from_readings(volts: Number, amperes: Number, radians: Number) -> Impedance:
    """Give the impedance from simultaneous readings of voltage, current and phase angle.

    R = V/I · cos φ, X = V/I · sin φ, Z = V/I (JCGM 100:2008, H.2). Readings that were taken
    together are correlated: give them as correlated variables of the `uncertainties` package.
    Raises NotPositiveError.
    """
    of = (volts, amperes, radians)
    for name, number in zip(("voltage", "current", "phase angle"), of, strict=True):
        positive(name, nominal(name, number))
    voltage, current, angle = variables(of)
    ratio = voltage / current
    return _impedance(ratio * umath.cos(angle), ratio * umath.sin(angle), of)


def _impedance(r: Variable, x: Variable, of: tuple[Number, ...]) -> Impedance:
    def result(variable: object, unit: str, formula: str) -> Result:
        return linear_result(variable, unit=unit, formula=formula, of=of)

    return Impedance(
        ohms=result(r, "Ohm", "resistance"),
        reactance=result(x, "Ohm", "reactance"),
        magnitude=result(umath.sqrt(r**2 + x**2), "Ohm", "impedance-magnitude"),
        degrees=result(umath.atan2(x, r) * (180 / pi), "deg", "phase-angle"),
        quality=result(x / r, "1", "quality-factor"),
        loss=result(r / x, "1", "loss-factor"),
    )


def ohms_from_quality(henries: float, quality: float, hertz: float, model: Model) -> float:
    """Give the resistance behind a Q that the bridge shows instead: ωLs/Q, or Q·ωLp.

    A loss factor D is 1/Q. Raises UnknownChoiceError, NotPositiveError.
    """
    if model not in MODELS:
        raise UnknownChoiceError("model", model, MODELS)
    reactance = 2 * pi * positive("frequency", hertz) * positive("inductance", henries)
    q = positive("Q", quality)
    return reactance / q if model == "series" else reactance * q


def series_from_magnitude(magnitude: float, degrees: float, hertz: float) -> tuple[float, float]:
    """Give series inductance (H) and resistance (Ω) from |Z| in ohms and the angle in degrees.

    Ls = |Z| sin θ/ω, Rs = |Z| cos θ. Raises OutsideRangeError unless 0 < θ < 90, which a winding
    below its resonance has, and NotPositiveError.
    """
    if not 0 < degrees < 90:  # noqa: PLR2004 - an angle of an inductance
        raise OutsideRangeError(f"an inductance has an angle between 0 and 90°, got {degrees:g}")
    z, angle = positive("|Z|", magnitude), radians(degrees)
    return z * sin(angle) / (2 * pi * positive("frequency", hertz)), z * cos(angle)


@dataclass(frozen=True, slots=True, kw_only=True)
class InductanceReading:
    """What a bridge showed for one pair, with the conditions it was taken under.

    `ohms` is the loss as a resistance; None where nothing that tells it stood beside.
    """

    henries: Number
    ohms: Number | None
    hertz: float
    model: Model = "series"
    volts: float | None = None
    rotor: Literal["in", "out", "unknown"] = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class InductanceBalance:
    """How far apart the three pairs are in inductance and resistance (%) and in angle (°).

    The latter two are None where a pair's loss is not known.
    """

    inductance: Result
    resistance: Result | None
    degrees: Result | None
    notes: tuple[str, ...]


def inductance_balance(
    readings: Mapping[str, InductanceReading], definition: Definition
) -> InductanceBalance:
    """Compare the inductances of three pairs, or of three free phases, as read: none is solved for.

    The phases are coupled, so the star and delta algebra of resistances does not hold. The angle
    is compared as the largest distance from the mean. Raises MissingReadingError for a missing
    pair, MixedConditionsError for another frequency, level, model or rotor state between pairs.
    """
    require_pairs(readings)
    _same_conditions(readings)
    first = next(iter(readings.values()))
    inductances = {name: reading.henries for name, reading in readings.items()}
    resistances = {
        name: reading.ohms for name, reading in readings.items() if reading.ohms is not None
    }
    with_loss = len(resistances) == len(readings)
    return InductanceBalance(
        inductance=_renamed(unbalance(inductances, definition), "inductance"),
        resistance=_renamed(unbalance(resistances, definition), "ac-resistance")
        if with_loss
        else None,
        degrees=_degrees(readings.values(), first.hertz) if with_loss else None,
        notes=_rotor_notes(first) + range_notes(inductances.values()),
    )


def _degrees(readings: Iterable[InductanceReading], hertz: float) -> Result:
    angles = [angle_of(reading) for reading in readings]
    mean = sum(angles) / len(angles)
    return Result(
        value=max(abs(angle - mean) for angle in angles),
        unit="deg",
        formula="phase-angle-deviation",
        constants={"hertz": hertz},
    )


def series_of(reading: InductanceReading) -> tuple[Number, Number]:
    """Give henries and ohms in series, whichever the model of a reading.

    Raises MissingReadingError where the loss is not known.
    """
    if reading.ohms is None:
        raise MissingReadingError(
            "the loss", "the resistance, Q, D or phase angle beside the inductance"
        )
    if reading.model == "series":
        return reading.henries, reading.ohms
    both = series_parallel(reading.henries, reading.ohms, reading.hertz, reading.model)
    return both.series_henries, both.series_ohms


def _renamed(result: Result, quantity: str) -> Result:
    return replace(result, formula=f"{quantity}-{result.formula}")


def _rotor_notes(reading: InductanceReading) -> tuple[str, ...]:
    if reading.rotor == "out":
        return ()
    return (
        (
            "with the rotor in, one angle cannot tell rotor from winding: turn the shaft and"
            " average, or take the rotor out"
        ),
    )


def _same_conditions(readings: Mapping[str, InductanceReading]) -> None:
    first_name, first = next(iter(readings.items()))
    for name, reading in readings.items():
        for what in ("hertz", "model", "volts", "rotor"):
            if getattr(reading, what) != getattr(first, what):
                raise MixedConditionsError(
                    f"{name} was read with {what} {getattr(reading, what)}, {first_name} with"
                    f" {getattr(first, what)}: take all three under the same conditions"
                )


def angle_of(reading: InductanceReading) -> float:
    """Give the phase angle of a reading in degrees, whichever its model.

    Raises MissingReadingError where the loss is not known.
    """
    return impedance(*series_of(reading), reading.hertz).degrees.value
