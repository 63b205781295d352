"""A pulse tester: compares how two pairs of a winding ring; its result is on the display only.

It has a socket for a cable, and whatever comes in there is ignored: not one byte is ever sent.
What a person sees is read with the hand command `display`.
"""

import math
import random
from dataclasses import dataclass
from typing import cast

from simulators.hand import Hand, RefusedError
from simulators.leads import Leads
from simulators.settings import option
from simulators.specimen import Pair, PulseLaw, Specimen, SpecimenSettings, built_in


@dataclass(frozen=True, slots=True)
class PulseTesterSettings(SpecimenSettings):
    """Settings of the pulse tester."""

    law: str = option("period", "what its number is", "period", "time-constant", "rise")
    noise: float = option(0.001, "standard deviation, as a part of the time")
    seed: int = option(1, "seed of the noise")


class PulseTester:
    """Shows two times and their difference; sends nothing."""

    def __init__(self, settings: PulseTesterSettings, specimen: Specimen | None = None) -> None:
        self._settings = settings
        self._specimen = specimen if specimen is not None else built_in(settings)
        self._random = random.Random(settings.seed)  # noqa: S311 - noise, no secret
        self._pairs: tuple[Pair, Pair] | None = None
        self._display = "---"
        self.hand = Hand()
        self.hand.add("pairs", "pairs FIRST-SECOND FIRST-SECOND", self._put)
        self.hand.add("lift", "lift", self._lift)
        self.hand.add("pulse", "pulse", self._pulse)
        self.hand.add("display", "display", lambda _rest, _now: self._display)

    def received(self, data: bytes, now: float) -> bytes:
        """Ignore what the host sends."""
        del data, now
        return b""

    def spoken(self, now: float) -> bytes:
        """Send nothing, ever."""
        del now
        return b""

    def wake_at(self) -> float | None:
        """Return None: nothing is ever due."""
        return None

    def command(self, line: str, now: float) -> str:
        """Do a hand command."""
        return self.hand.obey(line, now)

    def _put(self, rest: str, now: float) -> str:
        found: list[Pair] = []
        for text in rest.upper().split():
            leads = Leads(self._specimen)
            leads.put(text, now)
            assert leads.pair is not None
            found.append(leads.pair)
        if len(found) != 2:  # noqa: PLR2004 - two pairs are compared
            raise RefusedError("name the two pairs to compare")
        self._pairs = (found[0], found[1])
        self._display = "---"
        return f"leads on {rest.upper()}"

    def _lift(self, _rest: str, _now: float) -> str:
        self._pairs = None
        return "leads lifted"

    def _pulse(self, _rest: str, _now: float) -> str:
        if self._pairs is None:
            self._display = "OPEN"
            return "pulsed with open leads"
        law = cast("PulseLaw", self._settings.law)  # one of its choices
        times = self._specimen.pulse_time(*self._pairs, law)
        if not all(math.isfinite(time) for time in times):
            self._display = "OPEN"
            return "pulsed an open circuit"
        noise = self._settings.noise
        first, second = (time * (1 + self._random.gauss(0.0, noise)) for time in times)
        # Adding 0 turns a difference of -0.0 into 0.0.
        difference = round(100 * (second - first) / first, 1) + 0.0
        self._display = f"{_seconds(first)}  {_seconds(second)}  {difference:+.1f} %"
        return "pulsed"


def _seconds(value: float) -> str:
    """Write a time as a display does."""
    scale, unit = (1e6, "us") if value < 1e-3 else (1e3, "ms")  # noqa: PLR2004 - where ms begins
    return f"{value * scale:.2f} {unit}"
