"""From the phases of an imagined winding to what its three pairs would read, many at a time.

Each case has three coupled phases: resistances, an inductance matrix for the bridge and one for
the pulse, and an impedance that a shorted loop reflects into its phase. Everything is relative:
a sound phase has the inductance 1, and the frequency is such that ωL is 1.
"""

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .balance import Solved
from .evidence import Quantity

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Known = Literal["period", "time-constant", "rise"]

# Coil U lies between the nodes U and V, and so on: rows are nodes, columns coils.
_DELTA: Array = np.array([[1, 0, -1], [-1, 1, 0], [0, -1, 1]], dtype=float)
PAIR_NODES = ((0, 1), (1, 2), (2, 0))
MAIN_SHARE = 0.6  # of a typical winding, where nothing depends much on it
SOUND_OHMS: dict[Solved, float] = {"star": 2.0, "delta": 2 / 3, "open": 1.0}  # of phases of 1 Ω


@dataclass(slots=True)
class Phases:
    """Cases of three phases: `ohms` (n, 3), `henries` and `pulse` (n, 3, 3), `loop` (n, 3).

    `lines` (n, 3) is resistance before the terminals of a delta, in phases; that of a star's line
    is its phase's.
    """

    ohms: Array
    henries: Array
    pulse: Array
    loop: Complex
    lines: Array = field(default_factory=lambda: np.zeros((1, 3)))

    @classmethod
    def sound(cls, count: int, main_share: Array | float) -> "Phases":
        """Give so many balanced cases with M/L = −½ of the main share of each."""
        share = np.broadcast_to(np.asarray(main_share, dtype=float), (count,))[:, None, None]
        henries = (1 - share) * np.eye(3) + share * np.where(np.eye(3) > 0, 1.0, -0.5)
        return cls(
            ohms=np.ones((count, 3)),
            henries=henries,
            pulse=henries.copy(),
            loop=np.zeros((count, 3), dtype=np.complex128),
        )


@dataclass(frozen=True, slots=True)
class Scene:
    """What the cases are seen through: connection, law, R/(ωL), loss/(ωL), source over pair R."""

    connection: Solved
    law: Known
    resistive: float
    lossy: float
    source_share: float


def pair_logs(phases: Phases, scene: Scene, quantities: tuple[Quantity, ...]) -> Array:
    """Give the logarithms (case, quantity, pair) of what an ideal instrument would read."""
    logs = [_quantity(phases, scene, quantity) for quantity in quantities]
    return np.stack(logs, axis=1)


def _quantity(phases: Phases, scene: Scene, quantity: Quantity) -> Array:
    match quantity:
        case "resistance":
            return log_of(_resistance(phases, scene))
        case "inductance":
            return log_of(_bridge(phases, scene).imag)
        case "loss":
            return log_of(_bridge(phases, scene).real)
        case "pulse":
            return _pulse(phases, scene)


def log_of(values: Array) -> Array:
    """Give logarithms: numpy says of its functions that they give anything."""
    found: Array = np.log(values)
    return found


def _resistance(phases: Phases, scene: Scene) -> Array:
    return _pairs(_diagonal(phases.ohms), scene.connection).real + _before(phases)


def _bridge(phases: Phases, scene: Scene) -> Complex:
    phase_ohms = phases.ohms * phase_resistive(scene)
    impedance = _diagonal(phase_ohms + phases.loop) + (1j + scene.lossy) * phases.henries
    return _pairs(impedance, scene.connection) + _before(phases) * phase_resistive(scene)


def _before(phases: Phases) -> Array:
    """Give what lies before the two terminals of each pair."""
    return np.stack([phases.lines[:, i] + phases.lines[:, j] for i, j in PAIR_NODES], axis=1)


def phase_resistive(scene: Scene) -> float:
    """Give R/(ωL) of a sound phase, from that of a pair: star and delta pairs gain by coupling."""
    coupled = 1.0 if scene.connection == "open" else 1 + MAIN_SHARE / 2
    return scene.resistive * coupled


def _pulse(phases: Phases, scene: Scene) -> Array:
    logs = log_of(_pairs(phases.pulse.astype(np.complex128), scene.connection).real)
    if scene.law == "period":
        return logs / 2
    if scene.law == "time-constant":
        source = scene.source_share * SOUND_OHMS[scene.connection]
        return logs - log_of(_resistance(phases, scene) + source)
    return logs


def _diagonal(values: NDArray[np.generic]) -> Complex:
    found: Complex = values.astype(np.complex128)[:, :, None] * np.eye(3)
    return found


def _pairs(matrix: Complex, connection: Solved) -> Complex:
    """Give the three pair values of coupled phases with this impedance (or like) matrix."""
    if connection == "open":
        return np.stack([matrix[:, i, i] for i in range(3)], axis=1)
    if connection == "star":
        return np.stack(
            [matrix[:, i, i] + matrix[:, j, j] - 2 * matrix[:, i, j] for i, j in PAIR_NODES],
            axis=1,
        )
    nodal = _DELTA @ np.linalg.inv(matrix) @ _DELTA.T
    found = []
    for first, second in PAIR_NODES:
        third = 3 - first - second
        own, other, both = nodal[:, first, first], nodal[:, third, third], nodal[:, first, third]
        found.append(other / (own * other - both**2))
    return np.stack(found, axis=1)
