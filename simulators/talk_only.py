"""A meter that only talks: readable lines at its own pace, or one for each press of a key.

What it shows is set by hand: a value, a bound such as `>5.50 GOhm`, or any text. It never listens.
"""

import random
from dataclasses import dataclass

from simulators.checksums import CHECKSUMS
from simulators.hand import Hand, number
from simulators.settings import TERMINATORS, flag, option


@dataclass(frozen=True, slots=True)
class TalkOnlySettings:
    """Settings of the talk-only meter."""

    rate: float = option(1.0, "lines a second; 0 sends only when pressed")
    value: float = option(512.4, "what it measures, in `unit`")
    unit: str = option("MOhm", "unit text after the number")
    decimals: int = option(1, "digits after the decimal sign")
    width: int = option(6, "least width of the number, filled with blanks")
    comma: bool = flag("decimal comma instead of the point")
    terminator: str = option("crlf", "what ends a line", "crlf", "lf", "cr")
    noise: float = option(0.002, "standard deviation, as a part of the value")
    top: float = option(5500.0, "highest value shown as a number, in `unit`")
    above: str = option(">5.50 GOhm", "what is shown above it")
    checksum: str = option("none", "hex checksum of the line behind it", "none", *CHECKSUMS)
    mark: str = option("*", "what stands between line and checksum")
    lines: str = option("", "texts to send in turn instead, separated by |")
    seed: int = option(1, "seed of the noise")


@dataclass(frozen=True, slots=True)
class CheckedLinesSettings(TalkOnlySettings):
    """Settings of a talk-only meter whose lines carry a checksum."""

    checksum: str = option("crc-16-modbus", "hex checksum of the line behind it", *CHECKSUMS)


class TalkOnlyMeter:
    """An ASCII meter whose lines are read, never asked for.

    Raises ValueError for a rate below 0.
    """

    def __init__(self, settings: TalkOnlySettings) -> None:
        if settings.rate < 0:
            raise ValueError(f"rate {settings.rate:g}: 0 or more lines a second")
        self._settings = settings
        self._period = 1 / settings.rate if settings.rate else None
        self._random = random.Random(settings.seed)  # noqa: S311 - noise, no secret
        self._value = settings.value
        self._fixed: str | None = None
        self._turn = [text for text in settings.lines.split("|") if text]
        self._turned = 0
        self._shown = ""
        self._due: float | None = None
        self._running = self._period is not None
        self._pressed = 0
        self.hand = Hand()
        self.hand.add("press", "press", self._press)
        self.hand.add("value", "value NUMBER", self._set_value)
        self.hand.add("show", "show TEXT", self._show)
        self.hand.add("over", "over", lambda _rest, now: self._show(settings.above, now))
        self.hand.add("open", "open", lambda _rest, now: self._show("OL", now))
        self.hand.add("none", "none", lambda _rest, now: self._show("---", now))
        self.hand.add("hold", "hold", self._hold)
        self.hand.add("run", "run", self._run)
        self.hand.add("display", "display", lambda _rest, _now: self._shown or self._text())

    def received(self, data: bytes, now: float) -> bytes:
        """Ignore what the host sends."""
        del data, now
        return b""

    def spoken(self, now: float) -> bytes:
        """Return the lines due by now; a meter that was held up sends one, not many."""
        count, self._pressed = self._pressed, 0
        if self._running and self._period is not None:
            if self._due is None:
                self._due = now
            if now >= self._due:
                count += 1
                missed = int((now - self._due) / self._period)
                self._due += (missed + 1) * self._period
        return b"".join(self._line() for _ in range(count))

    def wake_at(self) -> float | None:
        """Return when the next line is due."""
        if self._pressed:
            return 0.0
        if not self._running:
            return None
        return 0.0 if self._due is None else self._due

    def command(self, line: str, now: float) -> str:
        """Do a hand command."""
        return self.hand.obey(line, now)

    def _line(self) -> bytes:
        self._shown = self._text()
        self._turned += 1
        line = self._shown.encode()
        if self._settings.checksum != "none":
            size, function = CHECKSUMS[self._settings.checksum]
            line += self._settings.mark.encode() + f"{function(line):0{2 * size}X}".encode()
        return line + TERMINATORS[self._settings.terminator]

    def _text(self) -> str:
        if self._fixed is not None:
            return self._fixed
        if self._turn:
            return self._turn[self._turned % len(self._turn)]
        settings = self._settings
        if self._value > settings.top:
            return settings.above
        shown = self._value * (1 + self._random.gauss(0.0, settings.noise))
        text = f"{shown:.{settings.decimals}f}"
        if settings.comma:
            text = text.replace(".", ",")
        return f"{text:>{settings.width}} {settings.unit}".rstrip()

    def _press(self, _rest: str, _now: float) -> str:
        self._pressed += 1
        return "pressed"

    def _set_value(self, rest: str, _now: float) -> str:
        self._value = number(rest)
        self._fixed = None
        return f"measures {self._value:g} {self._settings.unit}"

    def _show(self, rest: str, _now: float) -> str:
        self._fixed = self._shown = rest
        return f"shows {rest!r}"

    def _hold(self, _rest: str, _now: float) -> str:
        self._running = False
        return "held"

    def _run(self, _rest: str, now: float) -> str:
        self._running = self._period is not None
        self._due = now
        return "running" if self._running else "its rate is 0: it sends only when pressed"
