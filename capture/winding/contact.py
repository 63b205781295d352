"""What the pairs read when two phases touch somewhere inside: a network of halves of phases."""

import numpy as np
from numpy.typing import NDArray

from .evidence import Quantity
from .forward import SOUND_OHMS, Scene, phase_resistive

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_AXES: Array = np.array([0, 2 * np.pi / 3, -2 * np.pi / 3])
_PAIR_NODES = ((0, 1), (1, 2), (2, 0))
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
    logs = np.zeros((len(pair), len(quantities), 3))
    for index in range(3):
        chosen = pair == index
        parts = _Halves(scene, index, depth[chosen], contact[chosen], main[chosen])
        direct = parts.pairs(0.0).real
        for row, quantity in enumerate(quantities):
            if quantity == "resistance":
                logs[chosen, row] = np.log(direct)
            elif quantity == "pulse":
                logs[chosen, row] = parts.pulse(direct)
            else:
                seen = parts.pairs(1.0)
                part = seen.imag if quantity == "inductance" else seen.real
                logs[chosen, row] = np.log(np.maximum(part, 1e-9))
    return logs


class _Halves:
    """Three phases in halves, two of them joined where their halves meet."""

    def __init__(self, scene: Scene, index: int, depth: Array, contact: Array, main: Array) -> None:
        self.scene = scene
        count = len(depth)
        if scene.connection == "open":
            # Six ends, three pairs of their own: a contact closes no circuit through one pair.
            ends = ((0, 1), (2, 3), (4, 5))
            self.pair_nodes = ends
            nodes = 6
        else:
            ends = _ENDS[scene.connection]
            self.pair_nodes = _PAIR_NODES
            nodes = 4 if scene.connection == "star" else 3
        touched = (index, (index + 1) % 3)
        branches: list[tuple[int, int]] = []
        share = np.ones((count, 7))
        phase = []
        middles: list[int] = []
        for number in range(3):
            start, end = ends[number]
            if number in touched:
                middle = nodes + len(middles)
                middles.append(middle)
                share[:, len(branches)] = depth
                share[:, len(branches) + 1] = 1 - depth
                branches += [(start, middle), (middle, end)]
                phase += [number, number]
            else:
                branches.append((start, end))
                phase.append(number)
        coils = len(branches)
        branches.append((middles[0], middles[1]))
        self.incidence = np.zeros((nodes + 2, len(branches)))
        for column, (a, b) in enumerate(branches):
            self.incidence[a, column], self.incidence[b, column] = 1, -1
        axis = _AXES[phase]
        turn = np.cos(axis[:, None] - axis[None, :])
        own = np.eye(coils)
        same = share[:, :coils, None] * share[:, None, :coils]
        # Leakage goes with the number of coils, main flux with its square.
        self.henries = np.zeros((count, coils + 1, coils + 1))
        leak = (1 - main)[:, None, None] * own * share[:, :coils, None]
        self.henries[:, :coils, :coils] = leak + main[:, None, None] * same * turn
        self.unit = phase_resistive(scene)
        self.ohms = np.zeros((count, coils + 1))
        self.ohms[:, :coils] = share[:, :coils]
        self.ohms[:, coils] = contact

    def pairs(self, omega: float) -> Complex:
        """Give the pair impedances at a frequency, in units of a sound phase's R (0) or ωL."""
        unit = self.unit if omega else 1.0
        z = (self.ohms * unit)[:, :, None] * np.eye(self.ohms.shape[1]) + 0j
        z = z + omega * (1j + self.scene.lossy) * self.henries
        nodal = self.incidence @ np.linalg.solve(
            z, np.broadcast_to(self.incidence.T + 0j, (len(z), *self.incidence.T.shape))
        )
        # One node is held; a floating winding needs none, so the choice is free.
        solved = np.linalg.pinv(nodal, rcond=1e-12, hermitian=False)
        return np.stack(
            [
                solved[:, a, a] + solved[:, b, b] - solved[:, a, b] - solved[:, b, a]
                for a, b in self.pair_nodes
            ],
            axis=1,
        )

    def pulse(self, direct: Array) -> Array:
        """Give the logarithms of the pulse times, by the law of the scene."""
        if self.scene.law == "time-constant":
            slow = max(self.unit, 1e-3)
            henries = self.pairs(slow).imag / slow
            source = self.scene.source_share * SOUND_OHMS[self.scene.connection]
            log: Array = np.log(np.maximum(henries, 1e-6))
            return log - np.log(direct + source)
        log = np.log(np.maximum(self.pairs(_QUICK).imag / _QUICK, 1e-6))
        return log / 2 if self.scene.law == "period" else log
