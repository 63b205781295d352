"""How far apart the phases are, and which phase values the three pair readings mean."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args, overload

import numpy as np

from .checks import named, positive
from .errors import MissingReadingError, TriangleInequalityError, UnknownChoiceError
from .measured import (
    COVERAGE_FACTOR,
    Measured,
    Number,
    Variable,
    check_units,
    identities,
    linear_result,
    nominal,
    value_of,
    variables,
)
from .montecarlo import Array, coverage, is_uncertain
from .result import Result

Definition = Literal["mean", "span-mean", "span-min", "span-max"]
Connection = Literal["star", "delta", "open", "unknown"]
Solved = Literal["star", "delta", "open"]

DEFINITIONS: tuple[Definition, ...] = get_args(Definition)
CONNECTIONS: tuple[Connection, ...] = get_args(Connection)

_FEWEST = 2  # a single reading has nothing to be compared with


def unbalance(
    values: Mapping[str, Number] | Iterable[Number],
    definition: Definition,
    *,
    inputs: Iterable[str] = (),
) -> Result:
    """Give the unbalance of two or more readings in per cent, by the definition named.

    The four definitions give different numbers for the same readings, so a limit holds only with
    the definition it was written for. For three values the span over the mean is between 1.5 and
    2 times the deviation from the mean.

    `mean`       100 · max|xᵢ − x̄| / x̄. The resistance limit of ANSI/EASA AR100-2020 (second-hand)
                 and the NEMA MG 1 voltage unbalance (a public page) are built this way.
    `span-mean`  100 · (x_max − x_min) / x̄. Common in trade specifications (fairly sure).
    `span-min`   100 · (x_max − x_min) / x_min. Found in users' specifications (fairly sure).
    `span-max`   100 · (x_max − x_min) / x_max. Found in users' specifications (not sure).

    A mapping names its readings, which errors then use. All values are in one unit, whichever.
    Where readings carry an uncertainty, the result has the distribution of JCGM 101 with one-sided
    bounds, and the gain error that readings of one instrument on one range share cancels.
    Raises UnknownChoiceError for another definition, MissingReadingError for fewer than two values
    or a value of None, NotFiniteError, NotPositiveError for zero or less, and MixedConditionsError
    for values that say they are of different units.
    """
    if definition not in DEFINITIONS:
        raise UnknownChoiceError("unbalance definition", definition, DEFINITIONS)
    numbers = named(values)
    readings = [positive(name, nominal(name, number)) for name, number in numbers.items()]
    check_units(numbers)
    if len(readings) < _FEWEST:
        raise MissingReadingError("a second reading", "unbalance compares two or more")
    drawn = variables(numbers.values())
    spread, standard = None, None
    if is_uncertain(drawn):
        spread, standard = coverage(drawn, lambda rows: spread_per_cent(rows, definition))
    return Result(
        value=float(spread_per_cent(np.array([readings]), definition)[0]),
        unit="%",
        formula=f"unbalance-{definition}",
        inputs=tuple(inputs) or identities(*numbers.values()),
        uncertainty=None if standard is None else COVERAGE_FACTOR * standard,
        coverage_factor=None if standard is None else COVERAGE_FACTOR,
        coverage=spread,
        notes=range_notes(numbers.values()),
    )


def spread_per_cent(rows: Array, definition: Definition) -> Array:
    """Give the bare numbers of `unbalance`, one for each row of readings above zero."""
    high: Array = rows.max(axis=1)
    low: Array = rows.min(axis=1)
    # Rounding may put a mean outside of its readings: equal ones have no unbalance at all.
    mean: Array = np.clip(rows.mean(axis=1), low, high)
    span = {"span-mean": mean, "span-min": low, "span-max": high}
    above: Array = high - low if definition in span else np.maximum(high - mean, mean - low)
    return 100 * (above / span.get(definition, mean))


def range_notes(numbers: Iterable[Number]) -> tuple[str, ...]:
    """Ask for a repeat on one fixed range where gain errors do not cancel."""
    used = {
        (number.instrument, number.range)
        for number in numbers
        if isinstance(number, Measured) and number.gain > 0
    }
    if len(used) <= 1:
        return ()
    return (
        (
            "read with different instruments or ranges, whose gain errors do not cancel and are"
            " counted in: repeat all of them with one instrument on one fixed range"
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseResistances:
    """The resistances of the three phases that a connection makes of the three pair readings."""

    u: float
    v: float
    w: float
    connection: Solved
    unit: str = "Ohm"
    formula: str = ""
    inputs: tuple[str, ...] = ()
    variables: tuple[Variable, ...] = field(default=(), repr=False, compare=False)

    @property
    def values(self) -> tuple[float, float, float]:
        """The three phases in the order U, V, W."""
        return (self.u, self.v, self.w)

    @property
    def results(self) -> dict[str, Result]:
        """The same as results by phase, with their uncertainties and what these share."""
        return {
            phase: linear_result(variable, unit=self.unit, formula=self.formula)
            for phase, variable in zip("UVW", self.variables or self.values, strict=True)
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class EitherConnection:
    """Both solutions side by side, for a machine whose connection nobody knows."""

    star: PhaseResistances
    delta: PhaseResistances
    connection: Literal["unknown"] = "unknown"
    unit: str = "Ohm"


@overload
def phase_resistances(
    uv: Number, vw: Number, wu: Number, connection: Solved, *, inputs: Iterable[str] = ()
) -> PhaseResistances: ...
@overload
def phase_resistances(
    uv: Number,
    vw: Number,
    wu: Number,
    connection: Literal["unknown"],
    *,
    inputs: Iterable[str] = (),
) -> EitherConnection: ...
@overload
def phase_resistances(
    uv: Number, vw: Number, wu: Number, connection: Connection, *, inputs: Iterable[str] = ()
) -> PhaseResistances | EitherConnection: ...
def phase_resistances(
    uv: Number, vw: Number, wu: Number, connection: Connection, *, inputs: Iterable[str] = ()
) -> PhaseResistances | EitherConnection:
    """Solve the three pair resistances in ohms for the three phases.

    `star`     with s = (R_UV + R_VW + R_WU)/2: R_U = s − R_VW, R_V = s − R_WU, R_W = s − R_UV.
    `delta`    coil U lies between the lines U and V, coil V between V and W, coil W between W and
               U (links U1-W2, V1-U2, W1-V2). With the star values a, b, c and n = ab + bc + ca:
               coil U = n/c, coil V = n/a, coil W = n/b.
    `open`     all six ends are out and unlinked: the readings are the phases U, V, W themselves.
    `unknown`  both solutions, side by side.

    Network algebra, in any textbook. Raises UnknownChoiceError, MissingReadingError (None),
    NotFiniteError, NotPositiveError, MixedConditionsError for a reading in another unit, and, in
    star and delta, TriangleInequalityError when one pair reads as much as the two others together:
    then a reading is wrong or a coil is open.
    """
    if connection not in CONNECTIONS:
        raise UnknownChoiceError("connection", connection, CONNECTIONS)
    names = ("phase U", "phase V", "phase W") if connection == "open" else ("U-V", "V-W", "W-U")
    readings = [
        positive(name, nominal(name, number))
        for name, number in zip(names, (uv, vw, wu), strict=True)
    ]
    check_units(dict(zip(names, (uv, vw, wu), strict=True)), "Ohm")
    ids = tuple(inputs) or identities(uv, vw, wu)
    exact = variables((uv, vw, wu))
    # Plain floats stay plain: the same algebra works on both.
    solvable = exact if is_uncertain(exact) else readings
    if connection == "open":
        return _phases(solvable, "open", ids)
    _check_triangle(dict(zip(names, readings, strict=True)))
    star = _star(*solvable)
    if connection == "star":
        return _phases(star, "star", ids)
    delta = _phases(_delta(*star), "delta", ids)
    if connection == "delta":
        return delta
    return EitherConnection(star=_phases(star, "star", ids), delta=delta)


def _phases(
    phases: list[Variable], connection: Solved, inputs: tuple[str, ...]
) -> PhaseResistances:
    u, v, w = (value_of(phase) for phase in phases)
    return PhaseResistances(
        u=u,
        v=v,
        w=w,
        connection=connection,
        formula=f"phase-resistances-{connection}",
        inputs=inputs,
        variables=tuple(phases),
    )


def _check_triangle(pairs: dict[str, float]) -> None:
    uv, vw, wu = pairs.values()
    # Written as _star writes it, so that what passes here is above zero there.
    opposite = zip(("V-W", "W-U", "U-V"), _star(uv, vw, wu), strict=True)
    for name, phase in opposite:
        if phase <= 0:
            others = sum(value for other, value in pairs.items() if other != name)
            raise TriangleInequalityError(name, pairs[name], others)


def _star(uv: Variable, vw: Variable, wu: Variable) -> list[Variable]:
    return [(wu + uv - vw) / 2, (uv + vw - wu) / 2, (vw + wu - uv) / 2]


def _delta(a: Variable, b: Variable, c: Variable) -> list[Variable]:
    # n/c written as a + b + ab/c stays exact where the product n would be too small for a float.
    return [a + b + a * (b / c), b + c + b * (c / a), c + a + c * (a / b)]
