"""A meter that stores results and sends them all when its key is pressed, or when asked.

Each line has the result's number and the instrument's own date and time, which need not be right.
The order of the lines is a setting, and the same dump may be sent as often as one likes: a host
that takes every line for a new reading counts results twice.
"""

import random
from dataclasses import dataclass
from datetime import datetime, timedelta

from simulators.hand import Hand, RefusedError
from simulators.leads import Leads
from simulators.settings import TERMINATORS, flag, option
from simulators.specimen import Specimen, SpecimenSettings, built_in


@dataclass(frozen=True, slots=True)
class StoredResultsSettings(SpecimenSettings):
    """Settings of the meter that stores results."""

    clock: str = option("2026-03-14T08:00:00", "the instrument's own date and time at first")
    order: str = option("oldest", "which result comes first", "oldest", "newest", "shuffled")
    twice: bool = flag("send every dump twice")
    frame: bool = flag("a line before and one after the results", on=True)
    stored: int = option(0, "results already stored, one a minute before the clock's time")
    request: str = option("", "text from the host that asks for a dump; empty: only the key")
    terminator: str = option("crlf", "what ends a line", "lf", "crlf", "cr")
    noise: float = option(1e-4, "standard deviation, as a part of the reading")
    seed: int = option(1, "seed of noise and order")


@dataclass(frozen=True, slots=True)
class _Result:
    number: int
    taken: datetime
    pair: str
    ohms: float

    def line(self) -> str:
        """Return the line that the instrument sends for it."""
        value = f"{self.ohms:.4f} Ohm" if self.ohms < 2e3 else "OL"  # noqa: PLR2004 - its range
        return f"{self.number:04d},{self.taken:%Y-%m-%d %H:%M:%S},{self.pair},{value}"


class StoredResultsMeter:
    """Stores on `store`, sends on `dump`.

    Raises ValueError for a clock that is no ISO 8601 date and time.
    """

    def __init__(self, settings: StoredResultsSettings, specimen: Specimen | None = None) -> None:
        self._settings = settings
        try:
            self._clock = datetime.fromisoformat(settings.clock).replace(tzinfo=None)
        except ValueError:
            raise ValueError(f"clock {settings.clock!r}: write it as 2026-03-14T08:00:00") from None
        self._random = random.Random(settings.seed)  # noqa: S311 - noise, no secret
        self._leads = Leads(specimen if specimen is not None else built_in(settings))
        self._results: list[_Result] = []
        self._began: float | None = None
        self._input = bytearray()
        self._waiting = b""
        terminals = self._leads.specimen.terminals()
        for index in range(settings.stored):
            self._leads.pair = (terminals[index % 2], terminals[index % 2 + 1])
            self._keep(self._clock - timedelta(minutes=settings.stored - index))
        self._leads.pair = None
        self.hand = Hand()
        self._leads.attach(self.hand)
        self.hand.add("store", "store", self._store)
        self.hand.add("dump", "dump", self._dump)
        self.hand.add("erase", "erase", self._erase)
        self.hand.add("clock", "clock YYYY-MM-DDTHH:MM:SS", self._set_clock)
        self.hand.add(
            "display",
            "display",
            lambda _rest, _now: self._results[-1].line() if self._results else "EMPTY",
        )

    def received(self, data: bytes, now: float) -> bytes:
        """Send a dump when the text that asks for it has come; ignore all else."""
        wanted = self._settings.request.encode()
        if not wanted:
            return b""
        self._input += data
        asked = wanted in self._input
        self._input = (
            self._input[self._input.rfind(wanted) + len(wanted) :]
            if asked
            else (self._input[-len(wanted) :])
        )
        if asked:
            self._dump("", now)
        return self.spoken(now)

    def spoken(self, now: float) -> bytes:
        """Return a dump that was asked for."""
        if self._began is None:
            self._began = now
        data, self._waiting = self._waiting, b""
        return data

    def wake_at(self) -> float | None:
        """Return 0 while a dump waits."""
        return 0.0 if self._waiting or self._began is None else None

    def command(self, line: str, now: float) -> str:
        """Do a hand command."""
        if self._began is None:
            self._began = now
        return self.hand.obey(line, now)

    def _time(self, now: float) -> datetime:
        return self._clock + timedelta(seconds=now - (self._began or now))

    def _keep(self, taken: datetime) -> _Result:
        pair = self._leads.pair
        assert pair is not None
        ohms = self._leads.specimen.pair_resistance(pair)
        ohms *= 1 + self._random.gauss(0.0, self._settings.noise)
        result = _Result(len(self._results) + 1, taken, "-".join(pair), ohms)
        self._results.append(result)
        return result

    def _store(self, _rest: str, now: float) -> str:
        if self._leads.pair is None:
            raise RefusedError("the leads are lifted")
        return f"stored {self._keep(self._time(now)).line()}"

    def _dump(self, _rest: str, _now: float) -> str:
        results = list(self._results)
        if self._settings.order == "newest":
            results.reverse()
        elif self._settings.order == "shuffled":
            self._random.shuffle(results)
        lines = [result.line() for result in results]
        if self._settings.frame:
            lines = [f"BEGIN {len(results)}", *lines, f"END {len(results)}"]
        terminator = TERMINATORS[self._settings.terminator]
        data = b"".join(line.encode() + terminator for line in lines)
        self._waiting += data * (2 if self._settings.twice else 1)
        return f"sending {len(results)} results"

    def _erase(self, _rest: str, _now: float) -> str:
        self._results.clear()
        return "memory empty"

    def _set_clock(self, rest: str, now: float) -> str:
        try:
            self._clock = datetime.fromisoformat(rest).replace(tzinfo=None)
        except ValueError:
            raise RefusedError(f"{rest!r} is no date and time") from None
        self._began = now
        return f"clock set to {self._clock.isoformat()}"
