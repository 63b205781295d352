"""A stream of numbered lines at a steady rate, so that a load test sees every gap.

Lines are paced on the clock's time, not on when somebody asks: after a hold-up the missing lines
follow in bursts of bounded size until the stream is level again. Where it is not to catch up, one
burst follows, and then the rate: no host gets more to do because it was slow.
"""

import math
from dataclasses import dataclass

from simulators.hand import Hand
from simulators.settings import flag, option

_FINEST = 0.002  # a wake-up each 2 ms at most, so that fast streams do not keep a processor busy


@dataclass(frozen=True, slots=True)
class CounterSettings:
    """Settings of the counter stream."""

    rate: float = option(1000.0, "lines a second")
    count: int = option(0, "lines in all; 0 is without end")
    burst: int = option(256, "most lines at once when catching up")
    catch_up: bool = flag(
        "make up for a hold-up; else send one burst, and go on at the rate", on=True
    )
    form: str = option("R {n} mOhm", "a line; {n} is the number")
    autostart: bool = flag("begin by itself; else on the hand command `start`", on=True)
    seed: int = option(1, "not used; accepted like everywhere")


class CounterStream:
    """Sends `R 1 mOhm`, `R 2 mOhm`, ... each number once and in order.

    Raises ValueError for a rate, a burst, a count or a form that cannot be.
    """

    def __init__(self, settings: CounterSettings) -> None:
        if settings.rate <= 0 or settings.burst < 1 or settings.count < 0:
            raise ValueError("rate must be above 0, burst 1 or more, count 0 or more")
        if "{n}" not in settings.form:
            raise ValueError(f"form {settings.form!r} has no {{n}}")
        self._settings = settings
        self._before, _, self._after = settings.form.partition("{n}")
        self._after += "\r\n"
        self._last = settings.count or None
        self._sent = 0
        self._base = 0
        self._started: float | None = None
        self._running = settings.autostart
        self.hand = Hand()
        self.hand.add("start", "start", self._start)
        self.hand.add("stop", "stop", self._stop)
        self.hand.add("count", "count", lambda _rest, _now: str(self._sent))

    def received(self, data: bytes, now: float) -> bytes:
        """Ignore what the host sends."""
        del data, now
        return b""

    def spoken(self, now: float) -> bytes:
        """Return the lines due by now, at most a burst of them."""
        if not self._running:
            return b""
        if self._started is None:
            self._started = now
            self._base = self._sent
        due = self._base + math.floor((now - self._started) * self._settings.rate + 1e-6)
        if self._last is not None:
            due = min(due, self._last)
        upto = min(due, self._sent + self._settings.burst)
        before, after = self._before, self._after
        text = "".join([f"{before}{n}{after}" for n in range(self._sent + 1, upto + 1)])
        self._sent = max(upto, self._sent)
        if due > self._sent and not self._settings.catch_up:
            self._started, self._base = now, self._sent
        if self._sent == self._last:
            self._running = False
        return text.encode()

    def wake_at(self) -> float | None:
        """Return when the next line is due, in steps of 2 ms when lines come thick."""
        if not self._running:
            return None
        if self._started is None:
            return 0.0
        ahead = max(1, math.ceil(_FINEST * self._settings.rate))
        wanted = self._sent + ahead
        if self._last is not None:
            wanted = min(wanted, self._last)
        return self._started + (wanted - self._base) / self._settings.rate

    def command(self, line: str, now: float) -> str:
        """Do a hand command."""
        return self.hand.obey(line, now)

    def _start(self, _rest: str, _now: float) -> str:
        if self._last is not None and self._sent >= self._last:
            return f"ended at {self._sent}"
        self._running = True
        self._started = None
        return "started"

    def _stop(self, _rest: str, _now: float) -> str:
        self._running = False
        return f"stopped at {self._sent}"
