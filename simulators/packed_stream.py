"""A meter that streams packed binary frames with nothing between them but time.

A frame, in order (byte order of the count as set):

    status    bit 0 above range, bit 1 unsettled, bit 7 battery low
    unit      1 mOhm, 2 Ohm, 3 kOhm, 4 MOhm, 5 V, 6 H
    count     signed, 4 bytes
    exponent  signed, 1 byte: the value is count times ten to it, in that unit
    checksum  over all before it, 0 to 2 bytes, low byte first

There is no start mark: a host finds frames by the gap before them, or by checksum and length. As
it may join in the middle, the first frame can be cut (`torn`).
"""

import random
import struct
from dataclasses import dataclass

from simulators.checksums import CHECKSUMS
from simulators.hand import Hand, RefusedError, number
from simulators.settings import flag, option

UNITS = {"mOhm": 1, "Ohm": 2, "kOhm": 3, "MOhm": 4, "V": 5, "H": 6}
ABOVE_RANGE, UNSETTLED, BATTERY_LOW = 1, 2, 128
_MOST = 2**31 - 1


@dataclass(frozen=True, slots=True)
class PackedStreamSettings:
    """Settings of the packed stream."""

    rate: float = option(5.0, "frames a second")
    value: float = option(412.3, "what it measures, in `unit`")
    unit: str = option("mOhm", "unit of the value", *UNITS)
    exponent: int = option(-3, "power of ten of one count, -9 to 9")
    order: str = option("big", "byte order of the count", "big", "little")
    checksum: str = option("xor", "what ends a frame", "none", *CHECKSUMS)
    torn: bool = flag("the first frame begins in its middle", on=True)
    noise: float = option(1e-4, "standard deviation, as a part of the value")
    seed: int = option(1, "seed of the noise")


class PackedStream:
    """Sends one frame each period; a gap is all that parts them.

    Raises ValueError for a rate or an exponent that cannot be.
    """

    def __init__(self, settings: PackedStreamSettings) -> None:
        if settings.rate <= 0:
            raise ValueError("rate must be above 0")
        if not -9 <= settings.exponent <= 9:  # noqa: PLR2004 - as told in the help
            raise ValueError(f"exponent {settings.exponent}: -9 to 9")
        self._settings = settings
        self._period = 1 / settings.rate
        self._random = random.Random(settings.seed)  # noqa: S311 - noise, no secret
        self._value = settings.value
        self._status = 0
        self._torn = settings.torn
        self._due: float | None = None
        self._shown = "---"
        self.hand = Hand()
        self.hand.add("value", "value NUMBER", self._set_value)
        self.hand.add("status", "status 0..255", self._set_status)
        self.hand.add("display", "display", lambda _rest, _now: self._shown)

    def received(self, data: bytes, now: float) -> bytes:
        """Ignore what the host sends."""
        del data, now
        return b""

    def spoken(self, now: float) -> bytes:
        """Return the frame that is due; one at most, so that the gaps stay."""
        if self._due is None:
            self._due = now
        if now < self._due:
            return b""
        missed = int((now - self._due) / self._period)
        self._due += (missed + 1) * self._period
        frame = self._frame()
        if self._torn:
            self._torn = False
            return frame[len(frame) // 2 :]
        return frame

    def wake_at(self) -> float | None:
        """Return when the next frame is due."""
        return 0.0 if self._due is None else self._due

    def command(self, line: str, now: float) -> str:
        """Do a hand command."""
        return self.hand.obey(line, now)

    def _frame(self) -> bytes:
        settings = self._settings
        value = self._value * (1 + self._random.gauss(0.0, settings.noise))
        count = round(value / 10.0**settings.exponent)
        status = self._status
        if abs(count) > _MOST:
            status |= ABOVE_RANGE
            count = _MOST if count > 0 else -_MOST
        self._shown = "OL" if status & ABOVE_RANGE else f"{value:.6g} {settings.unit}"
        order = ">" if settings.order == "big" else "<"
        body = struct.pack(f"{order}BBib", status, UNITS[settings.unit], count, settings.exponent)
        if settings.checksum == "none":
            return body
        size, function = CHECKSUMS[settings.checksum]
        return body + function(body).to_bytes(size, "little")

    def _set_value(self, rest: str, _now: float) -> str:
        self._value = number(rest)
        return f"measures {self._value:g} {self._settings.unit}"

    def _set_status(self, rest: str, _now: float) -> str:
        if not rest.isdigit() or int(rest) > 255:  # noqa: PLR2004 - one byte
            raise RefusedError("0 to 255")
        self._status = int(rest)
        return f"status {self._status}"
