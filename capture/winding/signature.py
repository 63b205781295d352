"""What an open phase or an open parallel path looks like in the three pair resistances."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from .balance import PhaseResistances, Solved, phase_resistances
from .checks import positive
from .errors import ImpossibleSetError, MissingReadingError, OutsideRangeError
from .result import Bounded

PAIRS = ("U-V", "V-W", "W-U")
ENDS = ("U1-U2", "V1-V2", "W1-W2")  # the "pairs" of a winding whose six ends are out
_TOLERANCE = 0.05  # of the reading: several times the natural spread between coils


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenPhase:
    """Which phase is open, by what the pairs read, and in words why."""

    phase: str | None
    connection: Literal["star", "delta"] | None
    statement: str


def open_phase(uv: float | Bounded, vw: float | Bounded, wu: float | Bounded) -> OpenPhase:
    """Recognise an open phase; open pairs are given as readings above a bound.

    Star: the two pairs with the open phase in common are open, the third reads twice a phase.
    Delta: 2R, R, R, the high pair being the ends of the open coil; three times and one and a half
    times the sound 2R/3. Network algebra.

    Raises ImpossibleSetError where exactly one pair reads open, which no winding can do, and
    OutsideRangeError for a bound from above.
    """
    pairs = dict(zip(PAIRS, (uv, vw, wu), strict=True))
    for name, reading in pairs.items():
        if isinstance(reading, Bounded) and reading.side != "above":
            raise OutsideRangeError(f"{name} is below a bound: an open pair is above one")
    opened = [name for name, reading in pairs.items() if isinstance(reading, Bounded)]
    if len(opened) == len(PAIRS):
        return OpenPhase(
            phase=None,
            connection=None,
            statement="all pairs are open: two or more phases are open, or the leads are off",
        )
    if len(opened) == 1:
        raise ImpossibleSetError(
            f"{opened[0]} alone is open while its two terminals each read through the third:"
            " take it again"
        )
    if opened:
        common = _common_terminal(*opened)
        return OpenPhase(
            phase=common,
            connection="star",
            statement=f"{opened[0]} and {opened[1]} are open and share {common}:"
            f" phase {common} is open, or its lead",
        )
    return _open_delta(
        {
            name: positive(name, reading)
            for name, reading in pairs.items()
            if not isinstance(reading, Bounded)
        }
    )


def _open_delta(pairs: dict[str, float]) -> OpenPhase:
    name = max(pairs, key=lambda pair: pairs[pair])
    high = pairs.pop(name)
    one, other = pairs.values()
    level = abs(one - other) <= _TOLERANCE * (one + other) / 2
    if level and abs(high - (one + other)) <= _TOLERANCE * high:
        coil = name[0]
        return OpenPhase(
            phase=coil,
            connection="delta",
            statement=f"{name} reads twice each of the two other pairs: in delta coil {coil},"
            f" between {name[0]} and {name[2]}, is open",
        )
    return OpenPhase(phase=None, connection=None, statement="no phase is open")


def _common_terminal(first: str, second: str) -> str:
    return next(iter(set(first.split("-")) & set(second.split("-"))))


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenPath:
    """Which phase reads like one with some of its parallel paths open.

    `ratio` is that phase over the mean of the two others, `expected` what `open_paths` of `paths`
    being open would give, `misfit` the difference in per cent of `expected`.
    """

    phase: str | None
    ratio: float
    expected: float
    open_paths: int
    misfit: float
    statement: str


def open_parallel_path(
    uv: float, vw: float, wu: float, connection: Solved, paths: int, *, tolerance: float = 0.03
) -> OpenPath:
    """Compare the phases with a phase of which one or more of its parallel paths are open.

    With a paths of m open a phase reads m/(m − a) of the others. `tolerance` is the share within
    which the ratio must meet that, and the two other phases each other. Raises OutsideRangeError
    for fewer than two paths, and what `phase_resistances` raises.
    """
    if paths < 2:  # noqa: PLR2004 - one path open is an open phase
        raise OutsideRangeError(f"{paths} parallel path: an open one would be an open phase")
    solved: PhaseResistances = phase_resistances(uv, vw, wu, connection)
    phases: Mapping[str, float] = dict(zip("UVW", solved.values, strict=True))
    name = max(phases, key=lambda phase: phases[phase])
    one, other = (value for phase, value in phases.items() if phase != name)
    ratio = 2 * phases[name] / (one + other)
    count = min(range(1, paths), key=lambda opened: abs(ratio - paths / (paths - opened)))
    expected = paths / (paths - count)
    fits = abs(ratio / expected - 1) <= tolerance and abs(one - other) <= tolerance * one
    return OpenPath(
        phase=name if fits else None,
        ratio=ratio,
        expected=expected,
        open_paths=count if fits else 0,
        misfit=100 * (ratio / expected - 1),
        statement=f"phase {name} reads {ratio:.3f} of the others, {count} of {paths} paths open"
        f" would make it {expected:.3f}" + ("" if fits else ": not that"),
    )


def pairs_of(readings: Mapping[str, object]) -> tuple[str, str, str]:
    """Give the three pairs that readings are of: of terminals, or of the ends of each phase."""
    return ENDS if any(name in ENDS for name in readings) else PAIRS


def require_pairs(pairs: Mapping[str, object]) -> None:
    """Raise MissingReadingError unless all three pairs are there."""
    for name in pairs_of(pairs):
        if pairs.get(name) is None:
            raise MissingReadingError(name, "all three pairs are needed")
