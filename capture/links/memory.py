"""An in-memory link and its far end, with damage on the way. For tests and for driver authors.

Real cables split, delay, garble, drop, echo and repeat bytes, and are pulled. The pair here can do
the same, seeded, so that a failure can be repeated.
"""

import random
import threading
from collections import deque
from collections.abc import Callable

from capture.errors import LinkError, LinkLost, LinkOpenError

#: Takes the bytes of one write and gives what arrives, in pieces.
Damage = Callable[[bytes], list[bytes]]


class Wire:
    """The cable between a `MemoryLink` and a test's far end."""

    def __init__(self, damage: Damage | None = None, *, message_based: bool = False) -> None:
        self._changed = threading.Condition()
        self._to_host: deque[tuple[bytes, bool]] = deque()
        self._to_device: deque[bytes] = deque()
        self._damage = damage or (lambda data: [data])
        self.message_based = message_based
        self.plugged = True
        self.opened = 0
        self.resynced = 0

    def say(self, data: bytes, *, end_of_message: bool = False) -> None:
        """Send bytes from the device to the host."""
        with self._changed:
            pieces = self._damage(data)
            for number, piece in enumerate(pieces):
                last = end_of_message and number == len(pieces) - 1
                self._to_host.append((piece, last))
            self._changed.notify_all()

    def heard(self, timeout: float = 5.0) -> bytes:
        """Give the oldest message that the host wrote, waiting for it.

        Raises:
            TimeoutError: the host wrote nothing in time.
        """
        with self._changed:
            if not self._changed.wait_for(lambda: bool(self._to_device), timeout):
                raise TimeoutError("the host wrote nothing")
            return self._to_device.popleft()

    def unplug(self) -> None:
        """Pull the cable: what was on its way is gone."""
        with self._changed:
            self.plugged = False
            self._to_host.clear()
            self._changed.notify_all()

    def plug(self) -> None:
        """Put the cable back."""
        with self._changed:
            self.plugged = True
            self._changed.notify_all()

    def take(self, limit: int, timeout: float) -> tuple[bytes, bool]:
        """Read for the link; ``timeout`` in seconds.

        Raises:
            LinkLost: the cable was pulled.
        """
        with self._changed:
            self._changed.wait_for(lambda: bool(self._to_host) or not self.plugged, timeout)
            if not self.plugged:
                raise LinkLost("memory: the cable was pulled")
            if not self._to_host:
                return b"", False
            data, last = self._to_host.popleft()
            if len(data) > limit:
                self._to_host.appendleft((data[limit:], last))
                return data[:limit], False
            return data, last

    def give(self, data: bytes) -> None:
        """Write for the link.

        Raises:
            LinkLost: the cable was pulled.
        """
        with self._changed:
            if not self.plugged:
                raise LinkLost("memory: the cable was pulled")
            self._to_device.append(data)
            self._changed.notify_all()

    def drain(self) -> None:
        """Drop what is on its way to the host."""
        with self._changed:
            self.resynced += 1
            self._to_host.clear()


class MemoryLink:
    """The host's end of a `Wire`."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire
        self._open = False

    @property
    def description(self) -> str:
        """A fixed name."""
        return "memory"

    @property
    def message_based(self) -> bool:
        """As the wire is."""
        return self._wire.message_based

    def open(self) -> None:
        """Open.

        Raises:
            LinkOpenError: the cable is out.
        """
        if not self._wire.plugged:
            raise LinkOpenError("memory: no cable")
        self._wire.opened += 1
        self._open = True

    def read(self, limit: int, timeout: float) -> tuple[bytes, bool]:
        """Give what is there, or what comes within ``timeout`` seconds."""
        self._check()
        return self._wire.take(limit, timeout)

    def write(self, data: bytes) -> None:
        """Write all of ``data``."""
        self._check()
        self._wire.give(data)

    def resync(self) -> None:
        """Drop what is on its way."""
        self._check()
        self._wire.drain()

    def close(self) -> None:
        """Close."""
        self._open = False

    def _check(self) -> None:
        if not self._open:
            raise LinkError("memory: not open")


def split(seed: int) -> Damage:
    """Cut what is sent into random pieces."""
    random_ = random.Random(seed)  # noqa: S311 - damage for tests

    def damage(data: bytes) -> list[bytes]:
        pieces = []
        while data:
            size = random_.randint(1, len(data))
            pieces.append(data[:size])
            data = data[size:]
        return pieces

    return damage


def garble(seed: int, rate: float) -> Damage:
    """Replace each byte by a random one with probability ``rate``."""
    random_ = random.Random(seed)  # noqa: S311 - damage for tests
    return lambda data: [
        bytes(random_.randrange(256) if random_.random() < rate else byte for byte in data)
    ]


def drop(seed: int, rate: float) -> Damage:
    """Lose each byte with probability ``rate``."""
    random_ = random.Random(seed)  # noqa: S311 - damage for tests
    return lambda data: [bytes(byte for byte in data if random_.random() >= rate)]


def duplicate(seed: int, rate: float) -> Damage:
    """Send each write twice with probability ``rate``."""
    random_ = random.Random(seed)  # noqa: S311 - damage for tests
    return lambda data: [data, data] if random_.random() < rate else [data]
