"""A SCPI resistance meter: four-wire direct-current ohms of a winding, with inductive settling.

The source is a voltage behind a series resistance, so the current into the winding rises with
tau = L / (Rs + R), and what the meter takes for resistance, voltage over current, is
R + (Rs + R) x / (1 - x) with x = exp(-t/tau): it falls to R from above, as on a real winding.
"""

import math
import random
from dataclasses import dataclass

from simulators.hand import RefusedError, number
from simulators.leads import Leads
from simulators.scpi_answers import Answer, Parameters
from simulators.scpi_errors import ScpiError
from simulators.scpi_meter import ScpiMeter, Values
from simulators.scpi_syntax import INFINITY, boolean, choice, expect, nr3, numeric
from simulators.settings import TERMINATORS, flag, option
from simulators.specimen import Pair, Specimen, SpecimenSettings, ThreePhase, built_in

_LOWEST_RANGE = 1e-3
_HIGHEST_RANGE = 1e5
_OVERRANGE = 1.2  # a range reads to 120 % of its name, common practice, no source
_SLOW_HERTZ = 0.1  # slow enough that the specimen's reactance is that of a current ramp


@dataclass(frozen=True, slots=True)
class ScpiResistanceSettings(SpecimenSettings):
    """Settings of the SCPI resistance meter."""

    rate: float = option(5.0, "measurements a second")
    identity: str = option(
        "BENCHTALLY,SIMULATED RESISTANCE METER,SIM-0001,1.0", "the four fields of *IDN?"
    )
    pair: str = option("", "where the leads sit at first, as U-V; empty is lifted")
    source_ohms: float = option(0.05, "series resistance of the source, sets the settling time")
    noise: float = option(2e-5, "standard deviation of one measurement, as a part of the reading")
    offset: float = option(0.0, "thermal voltage as Ohm: added one way round, subtracted the other")
    digits: int = option(6, "significant digits of an answer")
    terminator: str = option("lf", "what ends an answer", "lf", "crlf", "cr")
    init_ignored: bool = flag("READ? in free run gives -213")
    seed: int = option(1, "seed of the noise")


class ScpiResistanceMeter(ScpiMeter):
    """A resistance meter on generic SCPI; its leads are moved by hand commands."""

    def __init__(self, settings: ScpiResistanceSettings, specimen: Specimen | None = None) -> None:
        super().__init__(
            settings.identity,
            rate=settings.rate,
            digits=settings.digits,
            seed=settings.seed,
            terminator=TERMINATORS[settings.terminator],
            init_ignored=settings.init_ignored,
        )
        self._settings = settings
        self._own: ThreePhase | None = None
        if specimen is None:
            specimen = self._own = built_in(settings)
        self._leads = Leads(specimen)
        if settings.pair:
            self._leads.put(settings.pair.upper(), float("-inf"))
        self._leads.attach(self.hand)
        self.hand.add("phase", "phase U|V|W OHM", self._change_phase)
        self._range: float | None = None
        self._add_functions()

    def reset(self, now: float) -> None:
        """Put the settings back: automatic range."""
        super().reset(now)
        self._range = None

    def measure(self, started: float, finished: float, noise: random.Random) -> Values:
        """Return one resistance in Ohm, or 9.9E37 (INFinity) for open leads or over-range."""
        leads = self._leads
        if leads.pair is None or leads.moved_at > started:
            return (INFINITY,)
        ohms = leads.specimen.pair_resistance(leads.pair)
        if not math.isfinite(ohms):
            return (INFINITY,)
        shown = ohms * (1 + noise.gauss(0.0, self._settings.noise))
        shown += self._unsettled(ohms, finished - leads.moved_at)
        offset = self._settings.offset
        shown += offset if _is_forward(leads.pair, leads.specimen.terminals()) else -offset
        top = _HIGHEST_RANGE if self._range is None else self._range
        return (shown if abs(shown) <= top * _OVERRANGE else INFINITY,)

    def _unsettled(self, ohms: float, seconds: float) -> float:
        """Return how many Ohm too high the meter reads so long after the contact."""
        pair = self._leads.pair
        assert pair is not None
        reactance = self._leads.specimen.pair_impedance(pair, _SLOW_HERTZ).imag
        henries = reactance / (2 * math.pi * _SLOW_HERTZ)
        loop = ohms + self._settings.source_ohms
        if henries <= 0 or not math.isfinite(seconds):
            return 0.0
        left = math.exp(-seconds * loop / henries)
        return math.inf if left >= 1 else loop * left / (1 - left)

    def _change_phase(self, rest: str, now: float) -> str:
        name, _, text = rest.partition(" ")
        if self._own is None or name.upper() not in {"U", "V", "W"}:
            raise RefusedError("only the built-in specimen's phases U, V and W can be changed")
        ohms = number(text) if text.strip().lower() != "open" else math.inf
        if ohms < 0:
            raise RefusedError("a resistance is not negative")
        changed = list(self._own.ohms)
        changed["UVW".index(name.upper())] = ohms
        self._own.ohms = (changed[0], changed[1], changed[2])
        self._leads.moved_at = now
        return f"phase {name.upper()} is {ohms:g} Ohm"

    # Headers --------------------------------------------------------------------------------

    def _add_functions(self) -> None:
        for function in ("RESistance", "FRESistance"):
            self.add(f"CONFigure[:SCALar]:{function}", self._configure)
            self.add(f"MEASure[:SCALar]:{function}?", self._measure)
            self.add(f"[SENSe:]{function}:RANGe[:UPPer]", self._set_range)
            self.add(f"[SENSe:]{function}:RANGe[:UPPer]?", self._plain_query(self._range_text))
            self.add(f"[SENSe:]{function}:RANGe:AUTO", self._set_automatic)
            self.add(
                f"[SENSe:]{function}:RANGe:AUTO?",
                self._plain_query(lambda: str(int(self._range is None))),
            )
        self.add("CONFigure?", self._plain_query(self._configuration))
        self.add("[SENSe:]FUNCtion[:ON]", self._set_function)
        self.add("[SENSe:]FUNCtion[:ON]?", self._plain_query(lambda: '"FRES"'))

    def _configure(self, parameters: Parameters, now: float) -> None:
        expect(parameters, 0, 2)
        self._choose_range(parameters[0] if parameters else "AUTO")
        if len(parameters) > 1:
            numeric(parameters[1], "OHM", least=1e-9, most=_HIGHEST_RANGE, default=1e-6)
        self._continuous = False
        self.restart(now)

    def _measure(self, parameters: Parameters, now: float) -> Answer:
        self._configure(parameters, now)
        return self._read([], now)

    def _set_range(self, parameters: Parameters, now: float) -> None:
        expect(parameters, 1)
        self._choose_range(parameters[0])
        self.restart(now)

    def _set_automatic(self, parameters: Parameters, now: float) -> None:
        expect(parameters, 1)
        self._range = None if boolean(parameters[0]) else self._range or _HIGHEST_RANGE
        self.restart(now)

    def _choose_range(self, text: str) -> None:
        if text.upper() in {"AUTO", "DEF", "DEFAULT"}:
            self._range = None
            return
        asked = numeric(text, "OHM", least=0.0, most=_HIGHEST_RANGE)
        # The lowest range of decades that can show the value.
        decade = _LOWEST_RANGE
        while decade * _OVERRANGE < asked:
            decade *= 10
        self._range = decade

    def _range_text(self) -> str:
        return nr3(_HIGHEST_RANGE if self._range is None else self._range)

    def _configuration(self) -> str:
        return f'"FRES {self._range_text()},{nr3(1e-6)}"'

    def _set_function(self, parameters: Parameters, _now: float) -> None:
        expect(parameters, 1)
        text = parameters[0]
        if len(text) < 2 or text[0] != text[-1] or text[0] not in "\"'":  # noqa: PLR2004 - two quotes
            raise ScpiError(-104, text[:40])
        choice(text[1:-1], ("FRESistance", "RESistance"))


def _is_forward(pair: Pair, terminals: tuple[str, ...]) -> bool:
    """Tell whether the pair is U-V, V-W, W-U, or from a start to an end; not the reverse."""
    if set(pair) == {"U", "W"}:
        return pair == ("W", "U")
    return terminals.index(pair[0]) < terminals.index(pair[1])
