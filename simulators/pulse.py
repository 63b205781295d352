"""A pulse on a pair of terminals, integrated in time, and the one number a pulse tester shows.

The circuit is the winding's network closed by the instrument. Its currents are written in the
loops of the network, so that the equation is an ordinary linear one,

    Lₗ dx/dt = −Rₗ x − source,      dv/dt = −(current through the capacitor)/C,

which is stepped through time exactly: the state after a step is exp(A·Δt) times the state before.
Three instruments are known, by the law that their number follows:

`period`         a charged capacitor is switched on; the number is the period of the ring, ∝ √(LC);
`time-constant`  a voltage is switched on; the time to 63.2 % of the final current, ∝ L/R;
`rise`           a voltage is switched on; the time to a fixed small current, ∝ L.
"""

from dataclasses import dataclass
from math import exp, inf
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .winding import Network, Winding

Array = NDArray[np.float64]
Law = Literal["period", "time-constant", "rise"]

_CYCLES = 2  # a period is measured over the first two whole cycles
_POINTS = 4000
_TURNS = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class PulseInstrument:
    """The circuit of the instrument: its law, capacitor, resistance and threshold.

    `ohms` is its own resistance in series with the winding. `amperes_per_volt` is the current, per
    volt of its source, at which the instrument with the law `rise` stops its clock.
    """

    law: Law = "period"
    farads: float = 100e-9
    ohms: float = 0.5
    amperes_per_volt: float = 0.02

    def seconds(self, winding: Winding, pair: str) -> float:
        """Give the number shown for a pair; infinite where it is open or does not ring."""
        circuit = Circuit(winding, pair, self)
        if not circuit.closed:
            return inf
        match self.law:
            case "period":
                return circuit.period()
            case "time-constant":
                return circuit.time_to(circuit.final_current() * (1 - exp(-1)))
            case "rise":
                return circuit.time_to(self.amperes_per_volt)


class Circuit:
    """The winding and the instrument as one system of linear equations in time."""

    def __init__(self, winding: Winding, pair: str, instrument: PulseInstrument) -> None:
        network = Network(winding)
        first, second = pair.split("-")
        nodes = network.component(first)
        self.closed = second in nodes
        if not self.closed:
            return
        source = np.array([(n == second) * 1.0 - (n == first) * 1.0 for n in network.nodes])
        incidence = np.column_stack([network.incidence, source])
        count = incidence.shape[1]
        ohms = np.append(network.ohms, instrument.ohms)
        henries = np.zeros((count, count))
        henries[:-1, :-1] = network.henries
        loops = _loops(incidence)
        drive = loops[-1]  # share of each loop in the current through the instrument
        resistance = loops.T @ (ohms[:, None] * loops)
        inverse = np.linalg.inv(loops.T @ henries @ loops)
        capacitance = instrument.farads + winding.pair_farads
        self._ringing = instrument.law == "period"
        size = len(drive)
        if self._ringing:
            self.matrix = np.zeros((size + 1, size + 1))
            self.matrix[:size, :size] = -inverse @ resistance
            self.matrix[:size, size] = inverse @ drive
            self.matrix[size, :size] = -drive / capacitance
            self.state = np.append(np.zeros(size), 1.0)
            self.output = np.append(np.zeros(size), 1.0)
            self.forcing = np.zeros(size + 1)
        else:
            self.matrix = -inverse @ resistance
            self.state = np.zeros(size)
            self.output = drive
            self.forcing = inverse @ drive

    def wave(self, seconds: float, points: int = _POINTS) -> tuple[Array, Array]:
        """Integrate for a time; give the instants and what the instrument watches.

        With the law `period` that is the voltage of the capacitor, per volt of its charge; with
        the others the current in amperes per volt of the source.
        """
        times = np.linspace(0, seconds, points)
        step = _propagator(self.matrix, self.forcing, times[1])
        state = np.append(self.state, 1.0)
        out = np.append(self.output, 0.0)
        # Steps are taken in blocks that double: the same integration, without a loop a sample.
        block = state[:, None]
        while block.shape[1] < points:
            block = np.hstack([block, step @ block])
            step = step @ step
        return times, out @ block[:, :points]

    def final_current(self) -> float:
        """Give the current that a steady voltage leads to, in amperes per volt."""
        return float(self.output @ np.linalg.solve(-self.matrix, self.forcing))

    def period(self) -> float:
        """Give the period of the ring in seconds, from its zero crossings; infinite for no ring."""
        values = np.linalg.eigvals(self.matrix)
        # Equal decays of parallel paths come out as pairs that turn by a rounding error only.
        ringing = values[np.abs(values.imag) > _TURNS * np.abs(values).max()]
        if not len(ringing):
            return inf
        # The window is chosen from the slowest ring; the number comes from the wave.
        window = (_CYCLES + 1) * 2 * np.pi / float(np.abs(ringing.imag).min())
        times, wave = self.wave(window)
        falls = _crossings(times, wave, 0.0)
        if len(falls) <= _CYCLES:
            return inf
        return float((falls[_CYCLES] - falls[0]) / _CYCLES)

    def time_to(self, level: float) -> float:
        """Give the seconds until the current reaches a level, A/V; infinite where it never does."""
        final = self.final_current()
        if level >= final:
            return inf
        slowest = 1 / float(np.abs(np.linalg.eigvals(self.matrix).real).min())
        window = slowest * max(1.5 * -np.log(1 - level / final), 0.05)
        for _ in range(20):
            times, wave = self.wave(window)
            found = _crossings(times, -wave, -level)
            if len(found):
                # Once more over a window that fits, so that the step is small beside the answer.
                times, wave = self.wave(1.2 * float(found[0]))
                return float(_crossings(times, -wave, -level)[0])
            window *= 2
        return inf


def _loops(incidence: Array) -> Array:
    """Give a basis of the currents that obey the nodes: the null space of the incidence."""
    _, singular, vectors = np.linalg.svd(incidence)
    rank = int((singular > 1e-9).sum())  # noqa: PLR2004 - entries are 0 and ±1
    basis: Array = vectors[rank:].T
    return basis


def _propagator(matrix: Array, forcing: Array, step: float) -> Array:
    """Give exp of the augmented matrix times the step, by scaling, Taylor and squaring."""
    size = len(matrix)
    whole = np.zeros((size + 1, size + 1))
    whole[:size, :size] = matrix * step
    whole[:size, size] = forcing * step
    norm = float(np.abs(whole).sum(axis=1).max())
    halvings = max(0, int(np.ceil(np.log2(max(norm, 1e-300)))) + 4)
    small = whole / 2**halvings
    term = np.eye(size + 1)
    total = np.eye(size + 1)
    for order in range(1, 14):
        term = term @ small / order
        total = total + term
    for _ in range(halvings):
        total = total @ total
    return total


def _crossings(times: Array, wave: Array, level: float) -> Array:
    """Give the instants at which a wave falls through a level, by a parabola over three samples."""
    off = wave - level
    at = np.flatnonzero((off[:-1] > 0) & (off[1:] <= 0))
    at = at[at > 0] if len(at) and at[0] == 0 and len(at) > 1 else at
    step = times[1] - times[0]
    before = off[np.maximum(at - 1, 0)]
    here, after = off[at], off[at + 1]
    linear = here / (here - after)
    # One step of the secant's correction by the second difference is enough at this sampling.
    curve = np.where(at > 0, (before - 2 * here + after) / 2, 0.0)
    share = linear - curve * linear * (1 - linear) / (here - after)
    found: Array = times[at] + step * share
    return found
