"""What the pairs read when two phases touch somewhere inside: a network of halves of phases."""

import numpy as np
from numpy.typing import NDArray

from .evidence import Quantity
from .forward import PAIR_NODES, SOUND_OHMS, Phases, Scene, log_of, pair_logs, phase_resistive

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# The nodes at which the coil of each phase starts and ends; node 3 is the star point.
_ENDS = {"star": ((0, 3), (1, 3), (2, 3)), "delta": ((0, 1), (1, 2), (2, 0))}
_QUICK = 3.0  # the ring of a pulse against the frequency of the bridge, as orders of magnitude go


def contact_logs(
    scene: Scene,
    quantities: tuple[Quantity, ...],
    pair: NDArray[np.int64],
    depth: Array,
    contact: Array,
    main: Array,
) -> Array:
    """Give the logarithms (case, quantity, pair) with a contact between the phases of a pair.

    `depth` is the share of turns between the start of each of the two phases and the contact,
    `contact` its resistance over that of a phase, `main` the main share of the inductance.
    """
    if scene.connection == "open":
        # Six ends: a contact closes no circuit through one phase.
        return pair_logs(Phases.sound(len(pair), main), scene, quantities)
    logs = np.zeros((len(pair), len(quantities), len(PAIR_NODES)))
    for index, touching in enumerate(PAIR_NODES):
        chosen = pair == index
        parts = _Halves(scene, touching, depth[chosen], contact[chosen], main[chosen])
        for row, quantity in enumerate(quantities):
            logs[chosen, row] = parts.logs(quantity)
    return logs


class _Halves:
    """Three phases, two of them in halves and joined where the halves meet."""

    def __init__(
        self, scene: Scene, touching: tuple[int, int], depth: Array, contact: Array, main: Array
    ) -> None:
        self.scene = scene
        self.unit = phase_resistive(scene)
        ends = _ENDS[scene.connection]
        nodes = max(map(max, ends)) + 1
        middles = dict(zip(touching, (nodes, nodes + 1), strict=True))
        branches: list[tuple[int, int, int, Array]] = []
        for phase, (start, end) in enumerate(ends):
            if phase in middles:
                branches.append((start, middles[phase], phase, depth))
                branches.append((middles[phase], end, phase, 1 - depth))
            else:
                branches.append((start, end, phase, np.ones_like(depth)))
        # The contact is a branch without turns, and of no phase.
        branches.append((nodes, nodes + 1, len(ends), np.zeros_like(depth)))
        starts, stops, phases, shares = zip(*branches, strict=True)
        every = np.arange(nodes + 2)[:, None]
        self.incidence = np.equal(every, starts).astype(float) - np.equal(every, stops)
        share = np.stack(shares, axis=1)
        number = np.array(phases)
        coupling = np.where(number == number[:, None], 1.0, -0.5)
        own = np.eye(len(branches))
        # Leakage goes with the number of turns, main flux with its square.
        leakage = (1 - main)[:, None, None] * own * share[:, :, None]
        linked = share[:, :, None] * share[:, None, :] * coupling
        self.henries = leakage + main[:, None, None] * linked
        self.ohms = share + (number == len(ends)) * contact[:, None]

    def logs(self, quantity: Quantity) -> Array:
        """Give the logarithms of one quantity, the pairs in order."""
        match quantity:
            case "resistance":
                return log_of(self.pairs(0.0).real)
            case "inductance":
                return log_of(self.pairs(1.0).imag)
            case "loss":
                return log_of(self.pairs(1.0).real)
            case "pulse":
                return self.pulse()

    def pairs(self, omega: float) -> Complex:
        """Give the pair impedances at a frequency, in units of a sound phase's R (0) or ωL."""
        unit = self.unit if omega else 1.0
        own = np.eye(len(self.incidence.T))
        z = unit * self.ohms[:, :, None] * own + omega * (1j + self.scene.lossy) * self.henries
        nodal = self.incidence @ np.linalg.inv(z) @ self.incidence.T
        # One node is held at zero: the winding floats, so it does not matter which.
        held = np.zeros_like(nodal)
        held[:, 1:, 1:] = np.linalg.inv(nodal[:, 1:, 1:])
        return np.stack(
            [held[:, a, a] + held[:, b, b] - held[:, a, b] - held[:, b, a] for a, b in PAIR_NODES],
            axis=1,
        )

    def pulse(self) -> Array:
        """Give the logarithms of the pulse times, by the law of the scene."""
        if self.scene.law == "time-constant":
            # A slow current divides as at the frequency where ωL of a phase is its resistance.
            henries = self.pairs(self.unit).imag / self.unit
            source = self.scene.source_share * SOUND_OHMS[self.scene.connection]
            return log_of(henries) - log_of(self.pairs(0.0).real + source)
        logs = log_of(self.pairs(_QUICK).imag / _QUICK)
        return logs / 2 if self.scene.law == "period" else logs
