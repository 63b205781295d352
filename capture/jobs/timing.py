"""Values at set times: for insulation, whose absorption falls as a power of time and has no end.

The times count from the moment at which the test voltage was reached. Pure.
"""

import math
from collections.abc import Sequence

from capture.errors import InputError


class TimedWatch:
    """Takes values at set times; for what never settles.

    at_s: seconds since the voltage was reached (see `voltage_reached`), any order.
    within_s: how far from its time a value may be, either way.

    Raises InputError for a time that is not above zero.
    """

    def __init__(self, at_s: Sequence[float], within_s: float = 1.0) -> None:
        for at in at_s:
            require_positive("a time to take a value at", at)
        require_positive("the tolerance of the times", within_s)
        self._due = sorted(set(at_s))
        self._within = within_s * (1 + 1e-9)  # 61 s is within 60 s ± 1 s, whatever the binary
        self._before: tuple[float, float | None] | None = None
        self._missed: list[float] = []

    def feed(self, elapsed: float, value: float | None) -> list[tuple[float, float | None, float]]:
        """Take in a sample; give those asked times that are now decided.

        Each as asked time, value and real elapsed time of the sample nearest to it; of two that
        are as near, the earlier. A value of None (out of range) is a sample like any other. A
        sample that goes back in time changes nothing.
        """
        before = self._before
        if not math.isfinite(elapsed) or (before is not None and elapsed < before[0]):
            return []
        self._before = (elapsed, value)
        return self._decide(elapsed, before)

    def finish(self) -> list[tuple[float, float | None, float]]:
        """Decide the times still asked for: no sample comes any more, as when a test has ended.

        Those to which the last sample is near enough are given as by `feed`, times in seconds; the
        rest are missed.
        """
        return self._decide(math.inf, self._before)

    def _decide(
        self, until: float, before: tuple[float, float | None] | None
    ) -> list[tuple[float, float | None, float]]:
        found = []
        near = [each for each in (before, self._before) if each is not None]
        while self._due and self._due[0] <= until:
            at = self._due.pop(0)
            value, real = None, math.inf
            for seconds, shown in near:
                if abs(seconds - at) < abs(real - at):
                    value, real = shown, seconds
            if abs(real - at) <= self._within:
                found.append((at, value, real))
            else:
                self._missed.append(at)
        return found

    def missed(self, elapsed: float | None = None) -> list[float]:
        """List the asked times that passed without a sample near enough, in order.

        `elapsed` is the time now, seconds like all of them, where samples may have stopped coming.
        """
        overdue: list[float] = []
        if elapsed is not None:
            overdue = [at for at in self._due if at + self._within < elapsed]
            if self._before is not None:
                last = self._before[0]
                overdue = [at for at in overdue if at - last > self._within]
        return [*self._missed, *overdue]


#: A voltage that falls below this part of what counts as reached was switched off or broke down;
#: the count then begins anew (common practice, no source).
_STILL_ON = 0.9


def voltage_reached(
    volts: Sequence[tuple[float, float]], nominal: float, share: float = 0.95
) -> float | None:
    """Give when the voltage was reached: the first sample of the newest time that it was on.

    volts: (seconds, volts) in order of time; either polarity. nominal: V, not zero. `share` of it
    counts as reached (common practice, no source). None where it never was.

    Raises InputError for a nominal voltage of zero or a share outside 0 … 1.
    """
    level = abs(nominal) * share
    if not (level > 0 and math.isfinite(level) and share <= 1):
        raise InputError("the nominal voltage must not be zero, and its share within 0 … 1")
    reached, on = None, False
    for seconds, volt in volts:
        if not on and abs(volt) >= level:
            reached, on = seconds, True
        elif on and not abs(volt) >= _STILL_ON * level:
            on = False
    return reached


def require_positive(name: str, number: float) -> None:
    """Refuse a setting that is not a finite number above zero. ``name`` says which it is.

    Raises:
        InputError: it is not.
    """
    if not (number > 0 and math.isfinite(number)):
        raise InputError(f"{name} must be above zero, not {number:g}")
