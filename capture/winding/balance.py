"""How far apart the phases are, and which phase values the three pair readings mean."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal, get_args, overload

from .checks import named, positive
from .errors import MissingReadingError, TriangleInequalityError, UnknownChoiceError
from .result import Result

Definition = Literal["mean", "span-mean", "span-min", "span-max"]
Connection = Literal["star", "delta", "open", "unknown"]
Solved = Literal["star", "delta", "open"]

DEFINITIONS: tuple[Definition, ...] = get_args(Definition)
CONNECTIONS: tuple[Connection, ...] = get_args(Connection)

_FEWEST = 2  # a single reading has nothing to be compared with


def unbalance(
    values: Mapping[str, float] | Iterable[float],
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
    Raises UnknownChoiceError for another definition, MissingReadingError for fewer than two values
    or a value of None, NotFiniteError, and NotPositiveError for zero or less.
    """
    if definition not in DEFINITIONS:
        raise UnknownChoiceError("unbalance definition", definition, DEFINITIONS)
    readings = [positive(name, value) for name, value in named(values).items()]
    if len(readings) < _FEWEST:
        raise MissingReadingError("a second reading", "unbalance compares two or more")
    return Result(
        value=unbalance_per_cent(readings, definition),
        unit="%",
        formula=f"unbalance-{definition}",
        inputs=tuple(inputs),
    )


def unbalance_per_cent(readings: list[float], definition: Definition) -> float:
    """Give the bare number of `unbalance` for readings already known to be above zero."""
    mean = sum(readings) / len(readings)
    high, low = max(readings), min(readings)
    match definition:
        case "mean":
            return 100 * max(high - mean, mean - low) / mean
        case "span-mean":
            return 100 * (high - low) / mean
        case "span-min":
            return 100 * (high - low) / low
        case "span-max":
            return 100 * (high - low) / high


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

    @property
    def values(self) -> tuple[float, float, float]:
        """The three phases in the order U, V, W."""
        return (self.u, self.v, self.w)


@dataclass(frozen=True, slots=True, kw_only=True)
class EitherConnection:
    """Both solutions side by side, for a machine whose connection nobody knows."""

    star: PhaseResistances
    delta: PhaseResistances
    connection: Literal["unknown"] = "unknown"
    unit: str = "Ohm"


@overload
def phase_resistances(
    uv: float, vw: float, wu: float, connection: Solved, *, inputs: Iterable[str] = ()
) -> PhaseResistances: ...
@overload
def phase_resistances(
    uv: float, vw: float, wu: float, connection: Literal["unknown"], *, inputs: Iterable[str] = ()
) -> EitherConnection: ...
@overload
def phase_resistances(
    uv: float, vw: float, wu: float, connection: Connection, *, inputs: Iterable[str] = ()
) -> PhaseResistances | EitherConnection: ...
def phase_resistances(
    uv: float, vw: float, wu: float, connection: Connection, *, inputs: Iterable[str] = ()
) -> PhaseResistances | EitherConnection:
    """Solve the three pair resistances in ohms for the three phases.

    `star`     with s = (R_UV + R_VW + R_WU)/2: R_U = s − R_VW, R_V = s − R_WU, R_W = s − R_UV.
    `delta`    coil U lies between the lines U and V, coil V between V and W, coil W between W and
               U (links U1-W2, V1-U2, W1-V2). With the star values a, b, c and n = ab + bc + ca:
               coil U = n/c, coil V = n/a, coil W = n/b.
    `open`     all six ends are out and unlinked: the readings are the phases U, V, W themselves.
    `unknown`  both solutions, side by side.

    Network algebra, in any textbook. Raises UnknownChoiceError, MissingReadingError (None),
    NotFiniteError, NotPositiveError, and, in star and delta, TriangleInequalityError when one
    pair reads as much as the two others together: then a reading is wrong or a coil is open.
    """
    if connection not in CONNECTIONS:
        raise UnknownChoiceError("connection", connection, CONNECTIONS)
    pairs = {"U-V": uv, "V-W": vw, "W-U": wu}
    if connection == "open":
        pairs = {"phase U": uv, "phase V": vw, "phase W": wu}
    readings = [positive(name, value) for name, value in pairs.items()]
    ids = tuple(inputs)
    if connection == "open":
        return _phases(readings, "open", ids)
    star = _star(dict(zip(pairs, readings, strict=True)))
    if connection == "star":
        return _phases(star, "star", ids)
    delta = _phases(_delta(star), "delta", ids)
    if connection == "delta":
        return delta
    return EitherConnection(star=_phases(star, "star", ids), delta=delta)


def _phases(values: list[float], connection: Solved, inputs: tuple[str, ...]) -> PhaseResistances:
    u, v, w = values
    return PhaseResistances(
        u=u,
        v=v,
        w=w,
        connection=connection,
        formula=f"phase-resistances-{connection}",
        inputs=inputs,
    )


def _star(pairs: dict[str, float]) -> list[float]:
    uv, vw, wu = pairs.values()
    # Each phase belongs to the pair that it is *not* part of: that pair is the one too high.
    opposite = {"V-W": (wu + uv - vw) / 2, "W-U": (uv + vw - wu) / 2, "U-V": (vw + wu - uv) / 2}
    for name, phase in opposite.items():
        if phase <= 0:
            others = sum(value for other, value in pairs.items() if other != name)
            raise TriangleInequalityError(name, pairs[name], others)
    return list(opposite.values())


def _delta(star: list[float]) -> list[float]:
    a, b, c = star
    # n/c written as a + b + ab/c stays exact where the product n would be too small for a float.
    return [a + b + a * (b / c), b + c + b * (c / a), c + a + c * (a / b)]
