"""A three-phase winding as a physical circuit: what an ideal instrument would see at its leads.

Each phase is `paths` parallel paths of `groups` coils in series. Every coil has a resistance and an
inductance and is coupled to all others: to those of its own phase through the main flux, to those
of the other phases through the part of the main flux that is turned by 120°. Faults change turns,
take branches away, or add resistors; a shorted turn is a loop with its own resistance. All
answers follow from one network of coupled branches, solved by linear algebra:

    v = (diag(R) + jωL) i      for the branches,      A i = injected currents      at the nodes.

Laws used are those of any textbook on circuits and on the two-axis theory of machines. Nothing
here knows of instruments' noise, ranges or settling: that belongs to the instrument.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from math import cos, inf, pi, radians, sin
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simulators.winding_faults import (
    DampInsulation,
    EarthFault,
    Fault,
    FewerTurns,
    HighJoint,
    OpenPath,
    OpenPhase,
    PhaseToPhase,
    ReversedGroup,
    ShortedTurns,
)

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Connection = Literal["star", "delta", "open"]
PHASES = ("U", "V", "W")
PAIRS = ("U-V", "V-W", "W-U")
AXES = {"U": 0.0, "V": 2 * pi / 3, "W": -2 * pi / 3}  # magnetic axis of each phase, radians
_ENDS = {
    "star": {"U": ("U", "N"), "V": ("V", "N"), "W": ("W", "N")},
    # coil U between the lines U and V, and so on round
    "delta": {"U": ("U", "V"), "V": ("V", "W"), "W": ("W", "U")},
    "open": {"U": ("U1", "U2"), "V": ("V1", "V2"), "W": ("W1", "W2")},
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rotor:
    """A rotor in the bore, at an electrical angle.

    `iron` multiplies the main flux that the stator has alone. `saliency` s makes the direct axis
    (1 − s) and the quadrature axis (1 + s) of that. `cage` couples a shorted rotor loop on each
    axis with this factor, `cage_seconds` being its time constant.
    """

    electrical_degrees: float = 0.0
    iron: float = 1.5
    saliency: float = 0.0
    cage: float = 0.0
    cage_seconds: float = 5e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Insulation:
    """The insulation of one phase to the frame at 40 °C.

    The current at constant voltage is leakage plus absorption, which falls as a power of time;
    resistance halves every ten kelvins.
    """

    leakage_ohms: float = 3e9
    absorption_ohms: float = 1e9  # alone, after one minute
    exponent: float = 0.8
    farads: float = 10e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Winding:
    """A three-phase winding with all that an instrument at its leads can notice.

    Ohms are those of a phase at 20 °C. Henries are the self-inductance of a phase without rotor.
    `main_share` is how much of that is main flux, shared with the other phases: M/L = −½ of it.
    Inductance goes with turns to the power `turns_exponent`. `ohm_factors` and `henry_factors`
    carry the natural difference between the phases U, V, W. `loss_tangent` is iron and eddy loss.
    """

    ohms: float = 1.0
    henries: float = 10e-3
    connection: Connection = "star"
    turns: int = 120
    groups: int = 4
    paths: int = 1
    main_share: float = 0.6
    turns_exponent: float = 2.0
    ohm_factors: tuple[float, float, float] = (1.0, 1.0, 1.0)
    henry_factors: tuple[float, float, float] = (1.0, 1.0, 1.0)
    loss_tangent: float = 0.03
    celsius: float = 20.0
    zero_resistance_celsius: float = 234.5
    pair_farads: float = 300e-12
    rotor: Rotor | None = None
    insulation: Insulation = field(default_factory=Insulation)
    faults: tuple[Fault, ...] = ()

    def resistance(self, pair: str) -> float:
        """Give the resistance between two terminals in ohms; infinite where nothing connects."""
        return self.impedance(pair, 0.0).real

    def impedance(self, pair: str, hertz: float) -> complex:
        """Give the impedance between two terminals at a frequency in ohms."""
        first, second = pair.split("-")
        return Network(self).impedance(first, second, hertz)

    def inductance(self, pair: str, hertz: float) -> tuple[float, float]:
        """Give the series inductance (H) and resistance (Ω) between two terminals."""
        found = self.impedance(pair, hertz)
        return found.imag / (2 * pi * hertz), found.real

    def insulation_ohms(self, seconds: float, phases: Iterable[str] = PHASES) -> float:
        """Give the insulation resistance of some phases together to the frame, so long after
        voltage came on; the other phases are guarded.
        """  # noqa: D205 - one sentence
        return 1 / sum(self._insulation_siemens(phase, seconds) for phase in phases)

    def earth_farads(self, phases: Iterable[str] = PHASES) -> float:
        """Give the capacitance of some phases together to the frame in farads."""
        return sum(self.insulation.farads for _ in phases)

    def _insulation_siemens(self, phase: str, seconds: float) -> float:
        damp: float = max(
            (f.factor for f in self.faults if isinstance(f, DampInsulation)), default=1.0
        )
        warm: float = 2 ** ((self.celsius - 40) / 10)
        one = self.insulation
        leakage = damp * warm / one.leakage_ohms
        decay: float = (seconds / 60) ** -one.exponent
        absorption = damp**0.5 * warm / one.absorption_ohms * decay
        faults = sum(
            1 / fault.ohms
            for fault in self.faults
            if isinstance(fault, EarthFault) and fault.phase == phase
        )
        return float(leakage + absorption + faults)

    def ohms_now(self) -> float:
        """Give the resistance of a phase at the temperature of the winding."""
        k = self.zero_resistance_celsius
        return self.ohms * (k + self.celsius) / (k + 20)


def with_natural_spread(
    winding: Winding,
    rng: np.random.Generator,
    *,
    ohms: float = 0.0075,
    henries: float = 0.02,
) -> Winding:
    """Give the winding with phases that differ as those of a sound one do.

    The two are relative standard deviations of a phase's resistance and inductance: common
    practice, no source, says 0.5 to 1 % and 1 to 3 %.
    """
    r, h = 1 + ohms * rng.standard_normal(3), 1 + henries * rng.standard_normal(3)
    return replace(
        winding,
        ohm_factors=(float(r[0]), float(r[1]), float(r[2])),
        henry_factors=(float(h[0]), float(h[1]), float(h[2])),
    )


@dataclass(slots=True)
class _Coil:
    """A branch with turns: resistance, inductance, its phase, its coil, its sense."""

    start: str
    end: str
    phase: str
    coil: tuple[str, int, int]
    share: float  # of the turns of a whole coil
    sense: float = 1.0
    joint: float = 0.0


class Network:
    """The branches and nodes of a winding, ready to be solved.

    `incidence` has a row a node and a column a branch, +1 where the branch leaves the node.
    `ohms` and `henries` are those of the branches, the latter with all mutual inductances.
    """

    def __init__(self, winding: Winding) -> None:
        self.winding = winding
        self._bridges: list[tuple[str, str, float]] = []
        coils = [coil for phase in PHASES for coil in self._phase(phase)]
        self._add_phase_contacts()
        self._assemble(coils)

    def impedance(self, first: str, second: str, hertz: float) -> complex:
        """Give the impedance between two nodes; infinite where nothing connects them."""
        nodes = self.component(first)
        if second not in nodes:
            return complex(inf, 0)
        omega = 2 * pi * hertz
        loss = 1 - 1j * self.winding.loss_tangent
        z = np.diag(self.ohms).astype(np.complex128) + 1j * omega * loss * self.henries
        rows = self.incidence[[self.nodes.index(node) for node in nodes if node != second]]
        admittance = rows @ np.linalg.solve(z, rows.T.astype(np.complex128))
        current = np.array([1.0 if n == first else 0.0 for n in nodes if n != second])
        volts = np.linalg.solve(admittance, current.astype(np.complex128))
        return complex(volts[current == 1][0])

    def component(self, start: str) -> list[str]:
        """Give the nodes that branches join to one, in a fixed order."""
        joined = {start}
        grown = True
        while grown:
            grown = False
            for a, b in self.ends:
                if (a in joined) != (b in joined):
                    joined |= {a, b}
                    grown = True
        return [node for node in self.nodes if node in joined]

    def _phase(self, phase: str) -> list[_Coil]:
        winding = self.winding
        if any(isinstance(f, OpenPhase) and f.phase == phase for f in winding.faults):
            return []
        gone = {f.path for f in winding.faults if isinstance(f, OpenPath) and f.phase == phase}
        start, end = _ENDS[winding.connection][phase]
        joint = sum(f.ohms for f in winding.faults if isinstance(f, HighJoint) and f.phase == phase)
        coils: list[_Coil] = []
        inner = start
        if joint:
            inner = f"{phase} behind the joint"
            self._bridges.append((start, inner, joint))
        for path in range(winding.paths):
            if path not in gone:
                coils += self._path(phase, path, inner, end)
        return coils

    def _path(self, phase: str, path: int, start: str, end: str) -> list[_Coil]:
        winding = self.winding
        last = winding.groups - 1
        names = [f"{phase} {path}.{group}" for group in range(last)]
        places = [start, *names, end]
        coils = []
        for group in range(winding.groups):
            here = (phase, path, group)
            a, b = places[group], places[group + 1]
            share, sense, short = 1.0, 1.0, None
            for fault in winding.faults:
                if getattr(fault, "phase", "") != phase:
                    continue
                if (getattr(fault, "path", -1), getattr(fault, "group", -1)) != (path, group):
                    continue
                if isinstance(fault, FewerTurns):
                    # The share is of the path's turns; all of it is taken from this coil.
                    share -= fault.share * winding.groups
                elif isinstance(fault, ReversedGroup):
                    sense = -1.0
                elif isinstance(fault, ShortedTurns):
                    short = fault
            if share <= 0:
                # The whole coil is cut out and bridged, and with it a part of the next would be.
                raise ValueError(f"coil {here} has no turns left; spread them over more coils")
            if short is None:
                coils.append(_Coil(a, b, phase, here, share, sense))
                continue
            part = short.turns / (winding.turns / winding.groups)
            middle = f"{phase} {path}.{group} short"
            coils.append(_Coil(a, middle, phase, here, share - part, sense))
            coils.append(_Coil(middle, b, phase, here, part, sense))
            self._bridges.append((middle, b, short.contact_ohms))
        return coils

    def _add_phase_contacts(self) -> None:
        for fault in self.winding.faults:
            if isinstance(fault, PhaseToPhase):
                ends = [f"{phase} 0.0" for phase in (fault.first, fault.second)]
                self._bridges.append((ends[0], ends[1], fault.ohms))

    def _assemble(self, coils: Sequence[_Coil]) -> None:
        winding = self.winding
        rotor = winding.rotor
        loops = 2 if rotor and rotor.cage else 0
        count = len(coils) + len(self._bridges) + loops
        self.ends = [(coil.start, coil.end) for coil in coils]
        self.ends += [(a, b) for a, b, _ in self._bridges]
        self.nodes = sorted({node for pair in self.ends for node in pair})
        place = {node: row for row, node in enumerate(self.nodes)}
        self.incidence = np.zeros((len(self.nodes), count))
        for column, (a, b) in enumerate(self.ends):
            self.incidence[place[a], column] = 1
            self.incidence[place[b], column] = -1
        # A path carries 1/paths of the current: for phase values to hold, its coils are larger.
        factors = dict(zip(PHASES, winding.ohm_factors, strict=True))
        whole = winding.ohms_now() * winding.paths / winding.groups
        self.ohms = np.zeros(count)
        self.ohms[: len(coils)] = [whole * factors[coil.phase] * coil.share for coil in coils]
        self.ohms[len(coils) : len(coils) + len(self._bridges)] = [r for _, _, r in self._bridges]
        self.henries = np.zeros((count, count))
        self._couple(coils, loops)

    def _couple(self, coils: Sequence[_Coil], loops: int) -> None:
        """Fill in the inductances: leakage of each coil, main flux on two axes, rotor loops.

        With a main share w of the phase, m coils a path and P paths, a phase of self-inductance L
        has a main flux of wL, common to all its coils, and a leakage of (1 − w)L, each coil's own.
        """
        winding, rotor = self.winding, self.winding.rotor
        count = len(coils)
        factors = dict(zip(PHASES, winding.henry_factors, strict=True))
        size = np.array(
            [
                coil.sense
                * np.sqrt(factors[coil.phase] * winding.henries)
                * coil.share ** (winding.turns_exponent / 2)
                for coil in coils
            ]
        )
        # In series m coils add m² of main flux and m of leakage; in parallel the main flux stays.
        main = winding.main_share / winding.groups**2
        leakage = (1 - winding.main_share) * winding.paths / winding.groups
        own = np.zeros((count, count))
        for i, one in enumerate(coils):
            for j, other in enumerate(coils):
                if one.coil == other.coil:
                    own[i, j] = 1.0 if i == j else self._turn_coupling(one.coil)
        angle = radians(rotor.electrical_degrees) if rotor else 0.0
        iron = rotor.iron if rotor else 1.0
        saliency = rotor.saliency if rotor else 0.0
        direct = np.array([cos(angle - AXES[coil.phase]) for coil in coils])
        quadrature = np.array([sin(angle - AXES[coil.phase]) for coil in coils])
        axes = ((direct, 1 - saliency), (quadrature, 1 + saliency))
        table = leakage * own
        for axis, strength in axes:
            table = table + main * iron * strength * np.outer(axis, axis)
        self.henries[:count, :count] = table * np.outer(size, size)
        if not loops or rotor is None:
            return
        for number, (axis, strength) in enumerate(axes):
            loop = len(self.ohms) - loops + number
            # A loop of one henry: only its time constant and its coupling can be noticed outside.
            self.henries[loop, loop] = 1.0
            self.ohms[loop] = 1.0 / rotor.cage_seconds
            mutual = rotor.cage * np.sqrt(main * iron * strength) * axis * size
            self.henries[loop, :count] = mutual
            self.henries[:count, loop] = mutual

    def _turn_coupling(self, coil: tuple[str, int, int]) -> float:
        for fault in self.winding.faults:
            if isinstance(fault, ShortedTurns) and (fault.phase, fault.path, fault.group) == coil:
                return fault.coupling
        return 1.0
