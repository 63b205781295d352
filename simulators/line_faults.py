"""What can happen to bytes on a line, each as a stage with random numbers of its own."""

import itertools
import random
from collections import deque
from dataclasses import dataclass
from typing import Protocol

from simulators.settings import SettingsError, option

_HELD_LIMIT = 1 << 16


class Fault(Protocol):
    """One stage of damage."""

    def damage(self, data: bytes, now: float) -> bytes:
        """Take what the instrument sends now (may be empty); return what goes on now."""
        ...

    def heard(self, data: bytes) -> bytes:
        """Take what the host sent; return what comes straight back on the line."""
        ...

    def wake_at(self) -> float | None:
        """Return when held bytes are due."""
        ...


class _Stage:
    """The parts that most faults do not need."""

    def heard(self, data: bytes) -> bytes:
        """Return nothing: only an echo comes back."""
        del data
        return b""

    def wake_at(self) -> float | None:
        """Return None: nothing is held."""
        return None


class Holding(_Stage):
    """A stage that lets bytes go later, in their order."""

    def __init__(self) -> None:
        self._held: deque[tuple[float, bytes]] = deque()
        self._size = 0

    def hold(self, due: float, data: bytes) -> None:
        """Keep data until due (seconds), behind what was held before; drop it past the limit."""
        if not data or self._size + len(data) > _HELD_LIMIT:
            return
        self._held.append((due, data))
        self._size += len(data)

    def last_due(self, now: float) -> float:
        """Return when the last held byte goes, or now."""
        return max(now, self._held[-1][0]) if self._held else now

    def release(self, now: float) -> bytes:
        """Return what is due by now."""
        out = bytearray()
        while self._held and self._held[0][0] <= now:
            data = self._held.popleft()[1]
            self._size -= len(data)
            out += data
        return bytes(out)

    def wake_at(self) -> float | None:
        """Return when the first held bytes are due."""
        return self._held[0][0] if self._held else None

    def forget(self) -> None:
        """Drop what is held: the connection it was meant for is gone."""
        self._held.clear()
        self._size = 0


@dataclass(frozen=True, slots=True)
class SplitSettings:
    """Settings of `split`."""

    pieces: int = option(3, "pieces that each line is cut into")
    gap: float = option(0.02, "seconds between pieces")


class Split(Holding):
    """Each line arrives in pieces."""

    def __init__(self, settings: SplitSettings, seed: int) -> None:
        super().__init__()
        self._settings = settings
        self._random = random.Random(seed)  # noqa: S311 - damage, no secret

    def damage(self, data: bytes, now: float) -> bytes:
        """Cut each line at random places and hold the pieces."""
        for line in _lines(data):
            places = range(1, len(line))
            count = min(self._settings.pieces - 1, len(places))
            cuts = [0, *sorted(self._random.sample(places, max(count, 0))), len(line)]
            for start, end in itertools.pairwise(cuts):
                later = self._settings.gap if self._held else 0.0
                self.hold(self.last_due(now) + later, line[start:end])
        return self.release(now)


@dataclass(frozen=True, slots=True)
class DelaySettings:
    """Settings of `delay`."""

    seconds: float = option(0.5, "how much later bytes arrive")
    jitter: float = option(0.0, "up to so many seconds more, at random")


class Delay(Holding):
    """Everything arrives later: an answer may come after the host gave it up."""

    def __init__(self, settings: DelaySettings, seed: int) -> None:
        super().__init__()
        self._settings = settings
        self._random = random.Random(seed)  # noqa: S311 - damage, no secret

    def damage(self, data: bytes, now: float) -> bytes:
        """Hold data for the delay."""
        later = self._settings.seconds + self._random.uniform(0, self._settings.jitter)
        self.hold(now + later, data)
        return self.release(now)


@dataclass(frozen=True, slots=True)
class DripSettings:
    """Settings of `drip`."""

    gap: float = option(0.05, "seconds between two bytes")


class Drip(Holding):
    """Bytes arrive one at a time."""

    def __init__(self, settings: DripSettings, seed: int) -> None:
        super().__init__()
        del seed
        self._gap = settings.gap
        self._free_at = float("-inf")

    def damage(self, data: bytes, now: float) -> bytes:
        """Hold each byte until the one before it is past."""
        for index in range(len(data)):
            due = max(now, self._free_at)
            self.hold(due, data[index : index + 1])
            self._free_at = due + self._gap
        return self.release(now)


@dataclass(frozen=True, slots=True)
class GarbleSettings:
    """Settings of `garble`."""

    p: float = option(0.01, "probability for each byte to have a bit flipped")


class Garble(_Stage):
    """Single bits flip."""

    def __init__(self, settings: GarbleSettings, seed: int) -> None:
        self._p = settings.p
        self._random = random.Random(seed)  # noqa: S311 - damage, no secret

    def damage(self, data: bytes, now: float) -> bytes:
        """Flip one bit of some bytes."""
        del now
        chance = self._random
        return bytes(
            byte ^ (1 << chance.randrange(8)) if chance.random() < self._p else byte
            for byte in data
        )


@dataclass(frozen=True, slots=True)
class DropSettings:
    """Settings of `drop`."""

    p: float = option(0.01, "probability to be lost")
    what: str = option("byte", "what is lost", "byte", "line")


class Drop(_Stage):
    """Bytes or whole lines are lost."""

    def __init__(self, settings: DropSettings, seed: int) -> None:
        self._settings = settings
        self._random = random.Random(seed)  # noqa: S311 - damage, no secret

    def damage(self, data: bytes, now: float) -> bytes:
        """Leave out some of the data."""
        del now
        parts = _lines(data) if self._settings.what == "line" else _single(data)
        return b"".join(part for part in parts if self._random.random() >= self._settings.p)


@dataclass(frozen=True, slots=True)
class DuplicateSettings:
    """Settings of `duplicate`."""

    p: float = option(0.1, "probability for a line to be sent twice")


class Duplicate(_Stage):
    """Lines are sent twice."""

    def __init__(self, settings: DuplicateSettings, seed: int) -> None:
        self._p = settings.p
        self._random = random.Random(seed)  # noqa: S311 - damage, no secret

    def damage(self, data: bytes, now: float) -> bytes:
        """Repeat some lines."""
        del now
        return b"".join(
            line * (2 if self._random.random() < self._p else 1) for line in _lines(data)
        )


@dataclass(frozen=True, slots=True)
class EchoSettings:
    """Settings of `echo`: none."""


class Echo(_Stage):
    """What the host sends comes back before the answer."""

    def __init__(self, settings: EchoSettings, seed: int) -> None:
        del settings, seed

    def heard(self, data: bytes) -> bytes:
        """Return the host's own bytes."""
        return data

    def damage(self, data: bytes, now: float) -> bytes:
        """Change nothing."""
        del now
        return data


@dataclass(frozen=True, slots=True)
class FloodSettings:
    """Settings of `flood`."""

    every: float = option(0.01, "seconds between two bursts of junk")
    size: int = option(512, "bytes in a burst")


class Flood(_Stage):
    """Junk without end, the instrument's bytes somewhere in it.

    Raises SettingsError for bursts that are no time apart.
    """

    def __init__(self, settings: FloodSettings, seed: int) -> None:
        if settings.every <= 0:
            raise SettingsError("every: more than 0 seconds")
        self._settings = settings
        self._random = random.Random(seed)  # noqa: S311 - damage, no secret
        self._due: float | None = None

    def damage(self, data: bytes, now: float) -> bytes:
        """Add a burst when it is due."""
        if self._due is None:
            self._due = now
        if now < self._due:
            return data
        self._due = now + self._settings.every
        return data + self._random.randbytes(self._settings.size)

    def wake_at(self) -> float | None:
        """Return when the next burst is due."""
        return 0.0 if self._due is None else self._due


@dataclass(frozen=True, slots=True)
class BaudSettings:
    """Settings of `baud`: none."""


class Baud(_Stage):
    """The host listens at another speed: each byte becomes noise of about its length.

    A receiver that is too fast sees long runs of equal bits (00, FF, 80, F8 and the like), one
    that is too slow sees fewer bytes; both lose some to framing errors.
    """

    def __init__(self, settings: BaudSettings, seed: int) -> None:
        del settings
        self._random = random.Random(seed)  # noqa: S311 - damage, no secret

    def damage(self, data: bytes, now: float) -> bytes:
        """Turn every byte into none, one or two bytes of noise."""
        del now
        likely = (0x00, 0xFF, 0x80, 0xF8, 0xE0, 0x78, 0x66, 0x98)
        out = bytearray()
        for byte in data:
            for _ in range(self._random.choice((0, 1, 1, 2))):
                noise = self._random.choice(likely)
                out.append(noise ^ (byte & 0x18) if self._random.random() < 0.5 else noise)  # noqa: PLR2004 - half of them
        return bytes(out)


@dataclass(frozen=True, slots=True)
class VanishSettings:
    """Settings of `vanish`."""

    after: int = option(200, "bytes until the device is gone")
    back: float = option(0.0, "seconds until it is back; 0 is never")


class Vanish(_Stage):
    """The device is gone in the middle of what it says; a server takes the port away."""

    def __init__(self, settings: VanishSettings, seed: int) -> None:
        del seed
        self._settings = settings
        self._left = settings.after
        self._back_at: float | None = None
        self.gone = False

    def damage(self, data: bytes, now: float) -> bytes:
        """Let bytes through until it is time to go."""
        if self.gone:
            if self._back_at is not None and now >= self._back_at:
                self.come_back()
            return b""  # what was said while it was away is lost
        part = data[: self._left]
        self._left -= len(part)
        if self._left == 0:
            self.gone = True
            self._back_at = now + self._settings.back if self._settings.back > 0 else None
        return part

    def come_back(self) -> None:
        """Be there again, until as many bytes have passed."""
        self.gone = False
        self._left = self._settings.after

    def wake_at(self) -> float | None:
        """Return when it comes back."""
        return self._back_at if self.gone else None


def _lines(data: bytes) -> list[bytes]:
    return data.splitlines(keepends=True)


def _single(data: bytes) -> list[bytes]:
    return [data[index : index + 1] for index in range(len(data))]
