"""An insulation tester: after its key is pressed it streams one line a second until the end.

A line has elapsed time, test voltage and resistance, the resistance with the prefix that its size
asks for (kOhm, MOhm, GOhm, TOhm), or as a bound above the top of the range. Only the hand starts
it; no byte from the host does anything.
"""

import math
import random
from dataclasses import dataclass

from simulators.hand import Hand, RefusedError, number
from simulators.settings import TERMINATORS, flag, option
from simulators.specimen import Specimen, SpecimenSettings, built_in

_PREFIXES = ((1e12, "TOhm"), (1e9, "GOhm"), (1e6, "MOhm"), (1e3, "kOhm"), (1.0, "Ohm"))


@dataclass(frozen=True, slots=True)
class InsulationTesterSettings(SpecimenSettings):
    """Settings of the insulation tester."""

    rate: float = option(1.0, "lines a second of the test's own time")
    speed: float = option(1.0, "seconds of test in a second, to see ten minutes quickly")
    volts: float = option(500.0, "test voltage")
    duration: float = option(60.0, "seconds of test; 0 is until stopped")
    rise: float = option(1.0, "time constant in s with which the voltage rises")
    top: float = option(200e9, "highest Ohm shown as a number")
    form: str = option("{time} {volts} {ohms}", "a line; {time}, {volts} and {ohms} are filled in")
    clock: str = option("colon", "how {time} is written", "colon", "seconds")
    start: bool = flag("begin a test at once, without the key")
    terminator: str = option("crlf", "what ends a line", "lf", "crlf", "cr")
    noise: float = option(0.003, "standard deviation, as a part of the reading")
    seed: int = option(1, "seed of the noise")


class InsulationTester:
    """Streams a timed series of insulation readings.

    Raises ValueError for a rate, a speed, volts or a rise that is not above 0.
    """

    def __init__(
        self, settings: InsulationTesterSettings, specimen: Specimen | None = None
    ) -> None:
        if min(settings.rate, settings.speed, settings.volts, settings.rise) <= 0:
            raise ValueError("rate, speed, volts and rise must be above 0")
        self._settings = settings
        self._specimen = specimen if specimen is not None else built_in(settings)
        self._random = random.Random(settings.seed)  # noqa: S311 - noise, no secret
        self._started: float | None = None
        self._wanted = settings.start
        self._index = 0
        self._shown = "---"
        self._lifted = False
        self._broken_at: float | None = None
        self._extra: list[str] = []
        self.hand = Hand()
        self.hand.add("press", "press", self._press)
        self.hand.add("lift", "lift", self._lift)
        self.hand.add("touch", "touch", self._touch)
        self.hand.add("live", "live VOLT", self._live)
        self.hand.add("breakdown", "breakdown", self._break_down)
        self.hand.add("display", "display", lambda _rest, _now: self._shown)

    def received(self, data: bytes, now: float) -> bytes:
        """Ignore what the host sends: a test is started at the instrument only."""
        del data, now
        return b""

    def spoken(self, now: float) -> bytes:
        """Return the lines of the test that are due by now, none left out."""
        lines, self._extra = self._extra, []
        if self._wanted:
            self._wanted = False
            self._begin(now)
        while self._started is not None and (due := self.wake_at()) is not None and due <= now:
            lines.append(self._line())
        terminator = TERMINATORS[self._settings.terminator]
        return b"".join(line.encode() + terminator for line in lines)

    def wake_at(self) -> float | None:
        """Return when the next line is due."""
        if self._extra or self._wanted:
            return 0.0
        if self._started is None:
            return None
        # A millionth of a step early is on time: sums of floats must not cost a wake-up.
        return self._started + (self._elapsed() - 1e-6) / self._settings.speed

    def command(self, line: str, now: float) -> str:
        """Do a hand command."""
        return self.hand.obey(line, now)

    def _elapsed(self) -> float:
        """Return the test time of the next line in s."""
        return (self._index + 1) / self._settings.rate

    def _begin(self, now: float) -> None:
        self._started = now
        self._index = 0
        self._broken_at = None

    def _line(self) -> str:
        settings = self._settings
        elapsed = self._elapsed()
        self._index += 1
        volts = settings.volts * (1 - math.exp(-elapsed / settings.rise))
        if self._broken_at is not None:
            self._started = None
            self._shown = self._filled(elapsed, 0.02 * volts, "BREAKDOWN")
            return self._shown
        ohms = math.inf if self._lifted else self._specimen.insulation_ohms(elapsed)
        ohms *= 1 + self._random.gauss(0.0, settings.noise)
        self._shown = self._filled(elapsed, volts, self._ohms(ohms))
        if settings.duration and elapsed >= settings.duration:
            self._started = None
        return self._shown

    def _filled(self, elapsed: float, volts: float, ohms: str) -> str:
        text = self._settings.form.replace("{time}", self._time(elapsed))
        return text.replace("{volts}", f"{volts:.0f} V").replace("{ohms}", ohms)

    def _time(self, elapsed: float) -> str:
        if self._settings.clock == "seconds":
            return f"{elapsed:g} s"
        whole = round(elapsed)
        return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"

    def _ohms(self, ohms: float) -> str:
        if ohms > self._settings.top:
            return ">" + _prefixed(self._settings.top)
        return _prefixed(ohms)

    def _press(self, _rest: str, now: float) -> str:
        if self._started is not None:
            self._started = None
            return "test ended"
        self._begin(now)
        return "test begun"

    def _lift(self, _rest: str, _now: float) -> str:
        self._lifted = True
        return "leads lifted"

    def _touch(self, _rest: str, _now: float) -> str:
        self._lifted = False
        return "leads on winding and frame"

    def _live(self, rest: str, _now: float) -> str:
        volts = number(rest)
        if self._started is not None:
            raise RefusedError("a test is running")
        self._shown = f"LIVE {volts:.0f} V"
        self._extra.append(self._shown)
        return f"shows {self._shown!r}"

    def _break_down(self, _rest: str, now: float) -> str:
        if self._started is None:
            raise RefusedError("no test is running")
        self._broken_at = now
        return "insulation breaks down"


def _prefixed(ohms: float) -> str:
    """Write ohms with four significant digits and the prefix that fits."""
    for scale, unit in _PREFIXES:
        # 0.9995: what would be rounded up to 1000 takes the next prefix.
        if ohms >= scale * 0.9995 or scale == 1.0:
            number_shown = ohms / scale
            decimals = 3 if number_shown < 9.9995 else 2 if number_shown < 99.995 else 1  # noqa: PLR2004 - where four digits round up
            return f"{number_shown:.{decimals}f} {unit}"
    raise AssertionError("the last prefix fits all")
