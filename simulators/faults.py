"""Damage on the line between an instrument and its host, on purpose and repeatable.

A fault is a stage through which the instrument's bytes pass. `Damaged` puts a chain of stages
around any instrument and is an instrument itself. Each stage has its own random numbers from one
seed, so that the same bytes at the same times are damaged in the same way.
"""

from collections.abc import Callable
from typing import Any

from simulators import settings as texts
from simulators.hand import Hand, RefusedError
from simulators.instrument import Instrument, MessageBased
from simulators.line_faults import (
    Baud,
    BaudSettings,
    Delay,
    DelaySettings,
    Drip,
    DripSettings,
    Drop,
    DropSettings,
    Duplicate,
    DuplicateSettings,
    Echo,
    EchoSettings,
    Fault,
    Flood,
    FloodSettings,
    Garble,
    GarbleSettings,
    Holding,
    Split,
    SplitSettings,
    Vanish,
    VanishSettings,
)
from simulators.settings import SettingsError

KINDS: dict[str, tuple[type[Any], Callable[[Any, int], Fault]]] = {
    "split": (SplitSettings, Split),
    "delay": (DelaySettings, Delay),
    "drip": (DripSettings, Drip),
    "garble": (GarbleSettings, Garble),
    "drop": (DropSettings, Drop),
    "duplicate": (DuplicateSettings, Duplicate),
    "echo": (EchoSettings, Echo),
    "flood": (FloodSettings, Flood),
    "baud": (BaudSettings, Baud),
    "vanish": (VanishSettings, Vanish),
}


def fault(text: str, seed: int) -> Fault:
    """Make a fault from `name` or `name:key=value,key=value`; raise SettingsError."""
    name, _, rest = text.partition(":")
    if name not in KINDS:
        raise SettingsError(f"unknown fault {name!r}; there are: {', '.join(KINDS)}")
    kind, make = KINDS[name]
    given = texts.pairs([item for item in rest.split(",") if item])
    return make(texts.read(kind, given), seed)


class Damaged:
    """An instrument behind a chain of faults, which the hand can change.

    Hand commands besides the instrument's own: `fault SPEC` adds one, `fault none` takes all away,
    `freeze` makes it deaf and dumb with the line still there, `thaw` ends that.
    """

    def __init__(self, inner: Instrument, faults: list[str] | None = None, seed: int = 1) -> None:
        self._inner = inner
        self._seed = seed
        self._faults: list[Fault] = []
        self._frozen = False
        for text in faults or []:
            self._add(text)
        self._hand = Hand()
        self._hand.add("fault", "fault none | NAME[:key=value,...]", self._change)
        self._hand.add("freeze", "freeze", lambda _rest, _now: self._freeze(frozen=True))
        self._hand.add("thaw", "thaw", lambda _rest, _now: self._freeze(frozen=False))

    @property
    def inner(self) -> Instrument:
        """The undamaged instrument."""
        return self._inner

    @property
    def gone(self) -> bool:
        """Whether the device has vanished."""
        return any(isinstance(each, Vanish) and each.gone for each in self._faults)

    def come_back(self) -> None:
        """Be there again after it vanished."""
        for each in self._faults:
            if isinstance(each, Vanish):
                each.come_back()

    def received(self, data: bytes, now: float) -> bytes:
        """Hand bytes to the instrument; return echo and damaged answer."""
        if self._frozen or self.gone:
            return b""
        echo = b"".join(each.heard(data) for each in self._faults)
        return self._damage(echo + self._inner.received(data, now), now)

    def spoken(self, now: float) -> bytes:
        """Return what the instrument says and what was held, damaged."""
        if self._frozen:
            self._inner.spoken(now)
            return b""
        return self._damage(self._inner.spoken(now), now)

    def wake_at(self) -> float | None:
        """Return when the instrument or a fault has something due."""
        times = [self._inner.wake_at(), *(each.wake_at() for each in self._faults)]
        return min((time for time in times if time is not None), default=None)

    def command(self, line: str, now: float) -> str:
        """Do a hand command of the faults or of the instrument."""
        if self._hand.knows(line) and not line.startswith("help"):
            return self._hand.obey(line, now)
        answer = self._inner.command(line, now)
        if line.strip() == "help":
            own = [usage for usage in self._hand.usages() if usage != "help"]
            answer += "; " + "; ".join(own)
        return answer

    def status_byte(self, *, message_available: bool) -> int:
        """Return the instrument's status byte, 0 when it has none."""
        if isinstance(self._inner, MessageBased):
            return self._inner.status_byte(message_available=message_available)
        return 0

    def clear_bus(self) -> None:
        """Pass the device clear on; bytes on their way are lost."""
        for each in self._faults:
            if isinstance(each, Holding):
                each.forget()
        if isinstance(self._inner, MessageBased):
            self._inner.clear_bus()

    def unterminated(self) -> None:
        """Pass on that the host reads without a query."""
        if isinstance(self._inner, MessageBased):
            self._inner.unterminated()

    def interrupted(self) -> None:
        """Pass on that the host did not read an answer."""
        if isinstance(self._inner, MessageBased):
            self._inner.interrupted()

    def _damage(self, data: bytes, now: float) -> bytes:
        for each in self._faults:
            data = each.damage(data, now)
        return data

    def _add(self, text: str) -> None:
        self._faults.append(fault(text, self._seed * 1000 + len(self._faults)))

    def _change(self, rest: str, _now: float) -> str:
        if rest == "none":
            self._faults.clear()
            return "no faults"
        try:
            self._add(rest)
        except SettingsError as error:
            raise RefusedError(str(error)) from None
        return f"{len(self._faults)} fault(s) in the line"

    def _freeze(self, *, frozen: bool) -> str:
        self._frozen = frozen
        return "frozen" if frozen else "thawed"
