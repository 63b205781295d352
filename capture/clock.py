"""Time, injected: monotonic seconds for durations, UTC for stamps.

Nothing in the core calls ``time`` or ``datetime.now`` by itself, so that a test decides what time
it is, and so that a step of the host's clock can never change how long something took.
"""

import threading
import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """What the core asks of a clock."""

    def monotonic(self) -> float:
        """Seconds from an arbitrary start that never run backwards."""
        ...

    def utc(self) -> datetime:
        """Now, in UTC, as the host believes it."""
        ...

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait until ``event`` is set or ``seconds`` have passed; True when it is set."""
        ...


class SystemClock:
    """The host's own clocks."""

    def monotonic(self) -> float:
        """Seconds from an arbitrary start that never run backwards."""
        return time.monotonic()

    def utc(self) -> datetime:
        """Now, in UTC, as the host believes it."""
        return datetime.now(UTC)

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait until ``event`` is set or ``seconds`` have passed; True when it is set."""
        return event.wait(seconds)


class ManualClock:
    """A clock that moves only when told, or when somebody waits on it. For tests."""

    def __init__(self, start: datetime | None = None) -> None:
        self._utc = start or datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
        self._monotonic = 1000.0

    def advance(self, seconds: float) -> None:
        """Move both clocks forward by ``seconds``."""
        self._monotonic += seconds
        self._utc += timedelta(seconds=seconds)

    def step_utc(self, seconds: float) -> None:
        """Step the wall clock alone, as a time server or a person does."""
        self._utc += timedelta(seconds=seconds)

    def monotonic(self) -> float:
        """Seconds as advanced so far."""
        return self._monotonic

    def utc(self) -> datetime:
        """UTC as advanced and stepped so far."""
        return self._utc

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Let ``seconds`` pass at once unless ``event`` is already set."""
        if not event.is_set():
            self.advance(seconds)
        return event.is_set()
