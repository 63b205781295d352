"""Signs of life: when a thread last came round its loop.

A thread that is there need not be moving: it may hang in the disk, in a lock, in a loop. Whoever
wants to know looks at when it came round last, never at a flag that it set once.
"""

from capture.clock import Clock


class Heartbeat:
    """One thread's sign of life. The thread beats, anybody looks."""

    def __init__(self, clock: Clock, limit: float) -> None:
        """Take the seconds that the thread may need for one turn at the worst."""
        self._clock = clock
        self._limit = limit
        self._at: float | None = None

    def beat(self) -> None:
        """Say that the thread has come round; the first beat begins the watch over it."""
        self._at = self._clock.monotonic()

    def rest(self) -> None:
        """Say that the thread has ended as it should: nothing is expected of it any more."""
        self._at = None

    @property
    def age(self) -> float | None:
        """Seconds since the last beat; None where none is expected."""
        at = self._at
        return None if at is None else max(0.0, self._clock.monotonic() - at)

    @property
    def late(self) -> bool:
        """Whether the thread has been still for longer than it may."""
        age = self.age
        return age is not None and age > self._limit
