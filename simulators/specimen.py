"""What the instruments measure: a specimen with terminals, and a plain one built in.

The built-in specimen is three uncoupled phases in star, in delta or with all six ends brought
out: enough to see every instrument at work. A physical model of a winding can take its place by
offering the same five methods.
"""

import cmath
import math
from dataclasses import dataclass
from typing import Literal, Protocol

from simulators.settings import option

Pair = tuple[str, str]
"""Terminals where the first and the second lead sit, for instance ("U", "V")."""

PulseLaw = Literal["period", "time-constant", "rise"]
"""What a pulse tester's number is.

period: of the ring with the tester's capacitor. time-constant: L/R of the rising current. rise:
time until the current has reached a small value, proportional to L.
"""

_RISE = 0.02  # ampere for each volt of the tester's source


class UnknownTerminalError(ValueError):
    """A terminal that the specimen does not have; the text names those it has."""


class Specimen(Protocol):
    """A winding as seen from its terminals. Unconnected terminals give infinite ohms."""

    def terminals(self) -> tuple[str, ...]:
        """Return the terminals' names."""
        ...

    def pair_resistance(self, pair: Pair) -> float:
        """Return the direct-current resistance in Ohm; raise UnknownTerminalError."""
        ...

    def pair_impedance(self, pair: Pair, hertz: float) -> complex:
        """Return the impedance in Ohm at that frequency; raise UnknownTerminalError."""
        ...

    def insulation_ohms(self, seconds: float) -> float:
        """Return winding-to-frame Ohm so long after the test voltage was applied."""
        ...

    def pulse_time(self, first: Pair, second: Pair, law: PulseLaw) -> tuple[float, float]:
        """Return the time in s that each of two pairs shows when pulsed alike."""
        ...


@dataclass(slots=True)
class ThreePhase:
    """Three uncoupled phases.

    ohms, henries: per phase, in the order U, V, W.
    connection: `star` (terminals U V W N), `delta` (U V W; phase U lies between U and V, phase V
    between V and W, phase W between W and U) or `open` (U1 U2 V1 V2 W1 W2).
    insulation_1min, absorption: ohms one minute after the voltage, and the exponent n of
    R(t) = R(60 s) (t/60 s)^n, so that the polarization index R(600 s)/R(60 s) is 10^n.
    farads: what a pulse tester's coil rings with.
    """

    ohms: tuple[float, float, float] = (0.4123, 0.4119, 0.4131)
    henries: tuple[float, float, float] = (0.0312, 0.0311, 0.0314)
    connection: str = "star"
    insulation_1min: float = 850e6
    absorption: float = 0.45
    farads: float = 4.7e-9

    def __post_init__(self) -> None:
        if self.connection not in {"star", "delta", "open"}:
            raise ValueError(f"connection {self.connection!r}: star, delta or open")

    def terminals(self) -> tuple[str, ...]:
        """Return the names that the connection brings out."""
        if self.connection == "open":
            return ("U1", "U2", "V1", "V2", "W1", "W2")
        return ("U", "V", "W", "N") if self.connection == "star" else ("U", "V", "W")

    def pair_resistance(self, pair: Pair) -> float:
        """Return the direct-current resistance of a pair in Ohm."""
        return self._between(pair, tuple(complex(ohm) for ohm in self.ohms)).real

    def pair_impedance(self, pair: Pair, hertz: float) -> complex:
        """Return the impedance of a pair in Ohm."""
        omega = 2 * math.pi * hertz
        return self._between(
            pair,
            tuple(
                complex(ohm, omega * henry)
                for ohm, henry in zip(self.ohms, self.henries, strict=True)
            ),
        )

    def insulation_ohms(self, seconds: float) -> float:
        """Return winding-to-frame Ohm; a polarization law fits a log-log line (IEEE 43)."""
        return self.insulation_1min * math.pow(max(seconds, 0.1) / 60.0, self.absorption)

    def pulse_time(self, first: Pair, second: Pair, law: PulseLaw) -> tuple[float, float]:
        """Return each pair's time in s, from a series circuit of R, L and, for the ring, C."""
        return self._ring(first, law), self._ring(second, law)

    def _ring(self, pair: Pair, law: PulseLaw) -> float:
        ohms = self.pair_resistance(pair)
        if not math.isfinite(ohms):
            return math.inf
        henries = self.pair_impedance(pair, 1000.0).imag / (2 * math.pi * 1000.0)
        if law == "time-constant":
            return henries / ohms
        if law == "rise":
            return henries * _RISE
        squared = 1 / (henries * self.farads) - (ohms / (2 * henries)) ** 2
        # Damped so much that it does not ring: no period.
        return 2 * math.pi / math.sqrt(squared) if squared > 0 else math.inf

    def _between(self, pair: Pair, phases: tuple[complex, ...]) -> complex:
        known = self.terminals()
        for terminal in pair:
            if terminal not in known:
                raise UnknownTerminalError(
                    f"no terminal {terminal!r} here; there are {', '.join(known)}"
                )
        first, second = pair
        if first == second:
            return 0j
        if self.connection == "open":
            same_phase = first[0] == second[0]
            return phases["UVW".index(first[0])] if same_phase else complex(math.inf, 0.0)
        if self.connection == "star":
            return sum((phases["UVW".index(terminal)] for terminal in pair if terminal != "N"), 0j)
        return _delta(pair, phases)


def _delta(pair: Pair, phases: tuple[complex, ...]) -> complex:
    """Return one side in parallel with the other two in series."""
    side = {frozenset("UV"): 0, frozenset("VW"): 1, frozenset("WU"): 2}[frozenset(pair)]
    direct = phases[side]
    around = phases[(side + 1) % 3] + phases[(side + 2) % 3]
    if not cmath.isfinite(direct):
        return around
    return direct if not cmath.isfinite(around) else direct * around / (direct + around)


@dataclass(frozen=True, slots=True)
class SpecimenSettings:
    """Settings of the built-in specimen, shared by the instruments that measure it."""

    phases: str = option("0.4123/0.4119/0.4131", "Ohm of phases U/V/W")
    inductances: str = option("0.0312/0.0311/0.0314", "henries of phases U/V/W")
    connection: str = option("star", "how the phases are joined", "star", "delta", "open")
    insulation: float = option(850e6, "Ohm to the frame after one minute")
    absorption: float = option(0.45, "n of R(t) = R(60 s) (t/60 s)^n")


def built_in(settings: SpecimenSettings) -> ThreePhase:
    """Return the built-in specimen with those settings; raise ValueError with one clear line."""
    if not (settings.insulation > 0 and math.isfinite(settings.absorption)):
        raise ValueError("insulation must be above 0 Ohm")
    return ThreePhase(
        ohms=three(settings.phases),
        henries=three(settings.inductances),
        connection=settings.connection,
        insulation_1min=settings.insulation,
        absorption=settings.absorption,
    )


def three(text: str) -> tuple[float, float, float]:
    """Read three positive numbers written a/b/c; raise ValueError with one clear line."""
    try:
        first, second, third = (float(part) for part in text.split("/"))
    except ValueError:
        raise ValueError(f"{text!r}: write three numbers as 0.41/0.41/0.42") from None
    if not all(value > 0 and math.isfinite(value) for value in (first, second, third)):
        raise ValueError(f"{text!r}: all three numbers must be above 0")
    return first, second, third
