"""A SCPI LCR bridge: `FETCh?` answers primary, secondary, status and, if wanted, a bin.

What the two numbers mean is not in the answer: it follows from the function (`FUNCtion:IMPedance`),
which a person can change at the front panel at any time, like frequency and level.

Status numbers are this instrument's own (no standard fixes them): 0 normal, 1 the bridge does not
balance, 2 above range, 3 no contact. With any but 0 both numbers are 9.9E37.
"""

import cmath
import math
import random
from collections.abc import Callable
from dataclasses import dataclass

from simulators.hand import RefusedError, number
from simulators.leads import Leads
from simulators.scpi_answers import Parameters
from simulators.scpi_errors import ScpiError
from simulators.scpi_meter import ScpiMeter, Values
from simulators.scpi_syntax import INFINITY, choice, expect, nr3, numeric
from simulators.settings import TERMINATORS, flag, option
from simulators.specimen import Specimen, SpecimenSettings, built_in

NORMAL, UNBALANCED, ABOVE_RANGE, NO_CONTACT = range(4)

_LOWEST_HERTZ, _HIGHEST_HERTZ = 20.0, 200e3
_LOWEST_VOLT, _HIGHEST_VOLT = 0.01, 2.0
_HIGHEST_OHM = 100e6


def _series(z: complex, omega: float) -> tuple[float, float, float]:
    """Return Ls in H, Cs in F and Q = X/Rs of a series model (Q keeps the sign of X)."""
    reactance = z.imag
    farads = -1 / (omega * reactance) if reactance else math.inf
    return reactance / omega, farads, reactance / z.real if z.real else math.inf


def _parallel(z: complex, omega: float) -> tuple[float, float, float]:
    """Return Lp in H, Cp in F and Rp in Ohm: admittance Y = 1/Rp + 1/(j omega Lp)."""
    admittance = 1 / z if z else complex(math.inf, 0.0)
    susceptance, conductance = admittance.imag, admittance.real
    return (
        -1 / (omega * susceptance) if susceptance else math.inf,
        susceptance / omega,
        1 / conductance if conductance else math.inf,
    )


def _dissipation(quality: float) -> float:
    return abs(1 / quality) if quality else math.inf


FUNCTIONS: dict[str, Callable[[complex, float], tuple[float, float]]] = {
    "LSQ": lambda z, w: (_series(z, w)[0], abs(_series(z, w)[2])),
    "LSD": lambda z, w: (_series(z, w)[0], _dissipation(_series(z, w)[2])),
    "LSRS": lambda z, w: (_series(z, w)[0], z.real),
    "LPQ": lambda z, w: (_parallel(z, w)[0], abs(_series(z, w)[2])),
    "LPD": lambda z, w: (_parallel(z, w)[0], _dissipation(_series(z, w)[2])),
    "LPRP": lambda z, w: (_parallel(z, w)[0], _parallel(z, w)[2]),
    "CSD": lambda z, w: (_series(z, w)[1], _dissipation(_series(z, w)[2])),
    "CSRS": lambda z, w: (_series(z, w)[1], z.real),
    "CPD": lambda z, w: (_parallel(z, w)[1], _dissipation(_series(z, w)[2])),
    "CPRP": lambda z, w: (_parallel(z, w)[1], _parallel(z, w)[2]),
    "ZTD": lambda z, _w: (abs(z), math.degrees(cmath.phase(z))),
    "ZTR": lambda z, _w: (abs(z), cmath.phase(z)),
    "RX": lambda z, _w: (z.real, z.imag),
}
"""Function name → (primary, secondary) of an impedance at an angular frequency.

The letters are those of the trade: L, C, R, X, Z with series or parallel model, Q and D, angle in
degrees (TD) or radians (TR).
"""


@dataclass(frozen=True, slots=True)
class ScpiLcrSettings(SpecimenSettings):
    """Settings of the SCPI LCR bridge."""

    rate: float = option(4.0, "measurements a second")
    identity: str = option(
        "BENCHTALLY,SIMULATED LCR BRIDGE,SIM-0002,1.0", "the four fields of *IDN?"
    )
    pair: str = option("", "where the leads sit at first, as U-V; empty is lifted")
    function: str = option("LSQ", "what is measured at first", *FUNCTIONS)
    frequency: float = option(1000.0, "hertz at first, 20 to 200000")
    level: float = option(1.0, "volt at first, 0.01 to 2")
    bins: bool = flag("answer a bin as fourth value")
    nominal: float = option(0.06, "with bins: the primary value that bins are about")
    noise: float = option(5e-5, "standard deviation, as a part of the impedance")
    digits: int = option(6, "significant digits of an answer")
    terminator: str = option("lf", "what ends an answer", "lf", "crlf", "cr")
    init_ignored: bool = flag("READ? in free run gives -213")
    seed: int = option(1, "seed of the noise")


class ScpiLcrMeter(ScpiMeter):
    """An LCR bridge on generic SCPI.

    Raises ValueError for a rate, a frequency or a level outside its range.
    """

    def __init__(self, settings: ScpiLcrSettings, specimen: Specimen | None = None) -> None:
        super().__init__(
            settings.identity,
            rate=settings.rate,
            digits=settings.digits,
            seed=settings.seed,
            terminator=TERMINATORS[settings.terminator],
            init_ignored=settings.init_ignored,
        )
        if not _LOWEST_HERTZ <= settings.frequency <= _HIGHEST_HERTZ:
            raise ValueError(f"frequency {settings.frequency:g}: 20 to 200000 Hz")
        if not _LOWEST_VOLT <= settings.level <= _HIGHEST_VOLT:
            raise ValueError(f"level {settings.level:g}: 0.01 to 2 V")
        self._settings = settings
        self._function = settings.function
        self._hertz = settings.frequency
        self._volt = settings.level
        self._forced = NORMAL
        self._leads = Leads(specimen if specimen is not None else built_in(settings))
        if settings.pair:
            self._leads.put(settings.pair.upper(), float("-inf"))
        self._leads.attach(self.hand)
        self.hand.add("function", "function NAME", self._turn_function)
        self.hand.add("frequency", "frequency HERTZ", self._turn_frequency)
        self.hand.add("level", "level VOLT", self._turn_level)
        self.hand.add("status", "status 0..3", self._force_status)
        self._add_functions()

    def reset(self, now: float) -> None:
        """Put the settings back (*RST): the instrument's own, not those of the front panel."""
        super().reset(now)
        self._function, self._hertz, self._volt = "CPD", 1000.0, 1.0

    def measure(self, started: float, finished: float, noise: random.Random) -> Values:
        """Return primary, secondary, status[, bin]; values in base units, times in seconds."""
        del finished
        status, primary, secondary = self._numbers(started, noise)
        if status != NORMAL:
            primary = secondary = INFINITY
        values: tuple[float | int, ...] = (
            min(max(primary, -INFINITY), INFINITY),
            min(max(secondary, -INFINITY), INFINITY),
            status,
        )
        return (*values, self._bin(status, primary)) if self._settings.bins else values

    def _numbers(self, started: float, noise: random.Random) -> tuple[int, float, float]:
        leads = self._leads
        if self._forced != NORMAL:
            return self._forced, 0.0, 0.0
        if leads.pair is None:
            return NO_CONTACT, 0.0, 0.0
        if leads.moved_at > started:
            return UNBALANCED, 0.0, 0.0
        z = leads.specimen.pair_impedance(leads.pair, self._hertz)
        if not cmath.isfinite(z):
            return NO_CONTACT, 0.0, 0.0
        if abs(z) > _HIGHEST_OHM:
            return ABOVE_RANGE, 0.0, 0.0
        spread = self._settings.noise
        z = complex(
            z.real * (1 + noise.gauss(0.0, spread)), z.imag * (1 + noise.gauss(0.0, spread))
        )
        primary, secondary = FUNCTIONS[self._function](z, 2 * math.pi * self._hertz)
        return NORMAL, primary, secondary

    def _bin(self, status: int, primary: float) -> int:
        """Return bin 1, 2 or 3 within 1, 2 or 5 % of the nominal value, else 0."""
        if status != NORMAL:
            return 0
        error = abs(primary / self._settings.nominal - 1)
        return next((n for n, limit in enumerate((0.01, 0.02, 0.05), 1) if error <= limit), 0)

    # Front panel -------------------------------------------------------------------------------

    def _turn_function(self, rest: str, now: float) -> str:
        if rest.upper() not in FUNCTIONS:
            raise RefusedError(f"function {rest!r}: there are {', '.join(FUNCTIONS)}")
        self._function = rest.upper()
        self.restart(now)
        return f"function {self._function}"

    def _turn_frequency(self, rest: str, now: float) -> str:
        hertz = number(rest)
        if not _LOWEST_HERTZ <= hertz <= _HIGHEST_HERTZ:
            raise RefusedError("20 to 200000 Hz")
        self._hertz = hertz
        self.restart(now)
        return f"frequency {hertz:g} Hz"

    def _turn_level(self, rest: str, now: float) -> str:
        volt = number(rest)
        if not _LOWEST_VOLT <= volt <= _HIGHEST_VOLT:
            raise RefusedError("0.01 to 2 V")
        self._volt = volt
        self.restart(now)
        return f"level {volt:g} V"

    def _force_status(self, rest: str, _now: float) -> str:
        if rest not in {"0", "1", "2", "3"}:
            raise RefusedError("status 0 to 3")
        self._forced = int(rest)
        return f"status {rest} from the next measurement on"

    # Headers -----------------------------------------------------------------------------------

    def _add_functions(self) -> None:
        self.add("FUNCtion:IMPedance[:TYPE]", self._set_function)
        self.add("FUNCtion:IMPedance[:TYPE]?", self._plain_query(lambda: self._function))
        self.add("FREQuency[:CW]", self._set_frequency)
        self.add("FREQuency[:CW]?", self._plain_query(lambda: nr3(self._hertz)))
        self.add("VOLTage[:LEVel]", self._set_level)
        self.add("VOLTage[:LEVel]?", self._plain_query(lambda: nr3(self._volt)))

    def _set_function(self, parameters: Parameters, now: float) -> None:
        expect(parameters, 1)
        name = parameters[0].upper()
        if name not in FUNCTIONS:
            choice(parameters[0], ())  # raises the error that fits the text
            raise ScpiError(-224)
        self._function = name
        self.restart(now)

    def _set_frequency(self, parameters: Parameters, now: float) -> None:
        expect(parameters, 1)
        self._hertz = numeric(parameters[0], "HZ", least=_LOWEST_HERTZ, most=_HIGHEST_HERTZ)
        self.restart(now)

    def _set_level(self, parameters: Parameters, now: float) -> None:
        expect(parameters, 1)
        self._volt = numeric(parameters[0], "V", least=_LOWEST_VOLT, most=_HIGHEST_VOLT)
        self.restart(now)
