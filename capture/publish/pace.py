"""How fast messages may leave: so many a second, and no burst longer than a tenth of it."""


class Pace:
    """A bucket that fills with time and gives one unit a message. Rate 0 means no limit."""

    def __init__(self, per_second: float, now: float, burst: float | None = None) -> None:
        """Begin full; ``burst`` is what fits into the bucket."""
        self._rate = per_second
        self._size = max(1.0, per_second / 10 if burst is None else burst)
        self._held = self._size
        self._at = now

    @property
    def limited(self) -> bool:
        """Whether there is a limit."""
        return bool(self._rate)

    def allows(self, now: float) -> bool:
        """Take one unit if there is one."""
        if not self._rate:
            return True
        self._fill(now)
        if self._held < 1:
            return False
        self._held -= 1
        return True

    def take(self) -> None:
        """Take one unit, after `wait` said that there is one."""
        self._held -= 1

    def wait(self, now: float) -> float:
        """Give the seconds until there is a unit; 0 where there is one."""
        if not self._rate:
            return 0.0
        self._fill(now)
        return max(0.0, (1 - self._held) / self._rate)

    def _fill(self, now: float) -> None:
        self._held = min(self._size, self._held + (now - self._at) * self._rate)
        self._at = now
