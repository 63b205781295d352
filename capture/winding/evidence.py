"""What is known of a winding, put into numbers that no common gain error can touch.

Of three pair readings only their ratios say something about the pairs, so each quantity is carried
as two contrasts of the logarithms of its three readings. Their covariance has two parts: the
uncertainty of the readings, and the natural difference between the phases of a sound winding.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import pi
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .balance import Connection, Solved
from .checks import positive
from .errors import (
    ImpossibleSetError,
    MissingReadingError,
    MixedConditionsError,
    NotFiniteError,
    OutsideRangeError,
    UnknownChoiceError,
)
from .impedance import InductanceReading, series_of
from .measured import Measured, Number, identities, nominal
from .pulse import LAWS, Law, RotorState
from .result import Bounded, Result
from .signature import ENDS, PAIRS

Array = NDArray[np.float64]
Quantity = Literal["resistance", "inductance", "loss", "pulse"]

QUANTITIES: tuple[Quantity, ...] = ("resistance", "inductance", "loss", "pulse")
CONTRAST: Array = np.array([[1, -1, 0], [1, 1, -2]]) / np.sqrt([[2], [6]])

# Relative standard uncertainty of a reading that came without one, by quantity: common practice.
DEFAULT_NOISE = {"resistance": 1e-3, "inductance": 2e-3, "loss": 1e-2, "pulse": 3e-3}
_LARGEST_RATIO = 1e3  # between two readings of one quantity; beyond, a unit prefix is wrong


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """The natural difference between the phases of a sound winding, relative standard deviations.

    Common practice, no source: resistance 0.5 to 1 %, inductance 1 to 3 %, more for concentric
    windings. `loss` is that of the loss resistance on top of both.
    """

    resistance: float = 0.0075
    inductance: float = 0.02
    loss: float = 0.03


#: Of a concentric winding, whose coil ends are longer in one phase than in another: so wide that
#: about four in a hundred have pair resistances beyond 2 % of their mean (computed), as AR100-2020
#: says that some have (second-hand). Inductance twice that of others: common practice, no source.
CONCENTRIC_SPREAD = Spread(resistance=0.02, inductance=0.04)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """All readings of one winding, by pair `U-V`, `V-W`, `W-U` (`U1-U2` … for open windings).

    `resistance` in ohms, open pairs as Bounded; `inductance` as the bridge showed it; `pulse` in
    seconds under `law`; `insulation` in ohms by phase. A quantity that was not taken is left out;
    one that was taken has all three pairs. `source_ohms` is the pulse instrument's resistance,
    where known. `repeated` says that each reading was taken again with the leads put on anew.
    """

    connection: Connection = "unknown"
    resistance: Mapping[str, Number | Bounded] = field(default_factory=dict)
    inductance: Mapping[str, InductanceReading] = field(default_factory=dict)
    pulse: Mapping[str, Number | Bounded] = field(default_factory=dict)
    law: Law = "unknown"
    source_ohms: float | None = None
    rotor: RotorState = "unknown"
    insulation: Mapping[str, Number | Bounded] = field(default_factory=dict)
    spread: Spread = field(default_factory=Spread)
    parallel_paths: int | None = None
    repeated: bool = False

    @property
    def pairs(self) -> tuple[str, str, str]:
        """The names of the three pairs in order."""
        return ENDS if self.connection == "open" else PAIRS

    @property
    def inputs(self) -> tuple[str, ...]:
        """The ids of the readings, as far as they have one."""
        numbers: list[Number] = [
            *(r for r in self.resistance.values() if not isinstance(r, Bounded)),
            *(r.henries for r in self.inductance.values()),
            *(r for r in self.pulse.values() if not isinstance(r, Bounded)),
            *(r for r in self.insulation.values() if not isinstance(r, Bounded)),
        ]
        return identities(*numbers)


def connections_of(evidence: Evidence) -> tuple[Solved, ...]:
    """Give the connections to be considered: the one known, or star and delta."""
    if evidence.connection == "unknown":
        return ("star", "delta")
    return (evidence.connection,)


@dataclass(frozen=True, slots=True)
class Contrasts:
    """The evidence as numbers: logarithms (quantity, pair), their noise, and what sets the scene.

    `resistive` is R/(ωL) and `lossy` (Rs − R)/(ωL), of the middle pair, where both are known.
    """

    quantities: tuple[Quantity, ...]
    logs: Array
    noise: Array
    resistive: float
    lossy: float
    source_share: float | None

    @property
    def vector(self) -> Array:
        """The contrasts, two a quantity, in one row."""
        return (self.logs @ CONTRAST.T).ravel()


def contrasts(evidence: Evidence) -> Contrasts:
    """Check the evidence and give its contrasts; pulse times of an unknown law are left out.

    Raises MissingReadingError for a missing pair or loss, MixedConditionsError for inductances of
    different frequency, level, model or rotor, ImpossibleSetError for readings a thousand times
    apart, NotPositiveError, NotFiniteError, UnknownChoiceError. Bounded readings must have been
    dealt with before.
    """
    if evidence.law not in LAWS:
        raise UnknownChoiceError("law", evidence.law, LAWS)
    table: dict[Quantity, tuple[Array, Array]] = {}
    if evidence.resistance:
        table["resistance"] = _logs("resistance", evidence.pairs, evidence.resistance)
    omega = 0.0
    if evidence.inductance:
        series, ohms, omega = _series(evidence)
        table["inductance"] = _logs("inductance", evidence.pairs, series)
        table["loss"] = _logs("loss", evidence.pairs, ohms)
    if evidence.pulse:
        logs = _logs("pulse", evidence.pairs, evidence.pulse)
        if evidence.law != "unknown":
            table["pulse"] = logs
    middle = {name: float(np.exp(np.median(logs))) for name, (logs, _) in table.items()}
    reactance = omega * middle.get("inductance", 0.0)
    resistive, lossy = 0.01, 0.03  # of no effect unless inductance and loss are there
    if reactance:
        total = middle["loss"] / reactance
        resistive = min(middle.get("resistance", 0.5 * middle["loss"]) / reactance, 0.98 * total)
        lossy = total - resistive
    share = None
    if evidence.source_ohms is not None and "resistance" in middle:
        share = evidence.source_ohms / middle["resistance"]
    return Contrasts(
        quantities=tuple(table),
        logs=np.array([logs for logs, _ in table.values()]).reshape(len(table), 3),
        noise=np.array([noise for _, noise in table.values()]).reshape(len(table), 3),
        resistive=resistive,
        lossy=lossy,
        source_share=share,
    )


def _logs(
    quantity: str, pairs: tuple[str, ...], readings: Mapping[str, object]
) -> tuple[Array, Array]:
    if unknown := set(readings) - set(pairs):
        raise UnknownChoiceError(f"pair of the {quantity}", sorted(unknown), pairs)
    values, noise = [], []
    for pair in pairs:
        name = f"{quantity} of {pair}"
        reading = readings.get(pair)
        if reading is None:
            raise MissingReadingError(name, "all three pairs are needed")
        if isinstance(reading, Bounded):
            raise NotFiniteError(name, float("inf"))
        values.append(positive(name, nominal(name, reading)))
        noise.append(relative_noise(quantity, reading))
    if max(values) > _LARGEST_RATIO * min(values):
        low, high = pairs[int(np.argmin(values))], pairs[int(np.argmax(values))]
        raise ImpossibleSetError(
            f"{quantity} of {high} is more than a thousand times that of {low}:"
            " look for a wrong unit prefix, or give an open pair as a bounded reading"
        )
    return np.log(values), np.array(noise)


def relative_noise(quantity: str, reading: object) -> float:
    """Give the relative standard uncertainty that a reading has of its own, or the usual one."""
    if isinstance(reading, Measured):
        own = reading.random
    elif isinstance(reading, Result):
        own = reading.standard_uncertainty or 0.0
    else:
        own = float(getattr(reading, "std_dev", 0.0))
    return own / nominal(quantity, reading) if own else DEFAULT_NOISE[quantity]


def _series(evidence: Evidence) -> tuple[dict[str, Number], dict[str, Number], float]:
    readings = evidence.inductance
    first_name, first = next(iter(readings.items()))
    henries: dict[str, Number] = {}
    ohms: dict[str, Number] = {}
    for name, reading in readings.items():
        for what in ("hertz", "model", "volts", "rotor"):
            if getattr(reading, what) != getattr(first, what):
                raise MixedConditionsError(
                    f"inductance of {name} was read with {what} {getattr(reading, what)}, of"
                    f" {first_name} with {getattr(first, what)}: take all under one condition"
                )
        henries[name], ohms[name] = series_of(reading)
    if {first.rotor, evidence.rotor} == {"in", "out"}:
        raise MixedConditionsError(
            f"the inductances were read with the rotor {first.rotor}, the evidence says"
            f" {evidence.rotor}"
        )
    return henries, ohms, 2 * pi * positive("frequency", first.hertz)


def check_spread(spread: Spread) -> None:
    """Raise OutsideRangeError for a natural spread that is none."""
    for name in ("resistance", "inductance", "loss"):
        if not 0 < getattr(spread, name) < 0.5:  # noqa: PLR2004 - half the value itself
            raise OutsideRangeError(f"the spread of {name} must lie between 0 and 0.5")
