"""Slowing down whoever tries secrets, without ever locking anybody out for good."""

import threading
from dataclasses import dataclass

_FIRST_S = 1.0
_LONGEST_S = 30.0
_FORGET_S = 900.0
_MOST = 4096


@dataclass(slots=True)
class _Tried:
    times: int
    last: float


class BackOff:
    """Tells how long somebody must wait: doubling from 1 s to 30 s with each attempt.

    An attempt counts when it begins, not when it has failed, so that many at once are no way round.
    The table is bounded; those who tried least are forgotten first, so it cannot be flushed by
    trying many names.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._tried: dict[tuple[str, ...], _Tried] = {}

    def wait(self, key: tuple[str, ...], now: float, free: int = 0) -> float:
        """Give the seconds to wait; the first ``free`` attempts cost nothing."""
        with self._lock:
            tried = self._tried.get(key)
            if tried is None or now - tried.last > _FORGET_S or tried.times <= free:
                return 0.0
            delay = min(_LONGEST_S, _FIRST_S * 2.0 ** min(tried.times - free - 1, 10))
            return max(0.0, tried.last + delay - now)

    def begin(self, key: tuple[str, ...], now: float) -> None:
        """Count an attempt."""
        with self._lock:
            tried = self._tried.get(key)
            if tried is None or now - tried.last > _FORGET_S:
                if len(self._tried) >= _MOST:
                    self._forget(now)
                self._tried[key] = _Tried(1, now)
            else:
                tried.times += 1
                tried.last = now

    def passed(self, key: tuple[str, ...]) -> None:
        """Forget the attempts: one has succeeded."""
        with self._lock:
            self._tried.pop(key, None)

    def __len__(self) -> int:
        return len(self._tried)

    def _forget(self, now: float) -> None:
        """Make room: an eighth of the table, by age first, then by fewest attempts."""
        order = sorted(
            self._tried,
            key=lambda key: (
                now - self._tried[key].last <= _FORGET_S,
                self._tried[key].times,
                self._tried[key].last,
            ),
        )
        for key in order[: _MOST // 8]:
            del self._tried[key]
