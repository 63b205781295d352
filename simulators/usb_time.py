"""The time that simulated USB devices and time-outs go by: real, or made up."""

import threading
import time
from typing import Protocol


class Time(Protocol):
    """The time that devices and time-outs go by."""

    def now(self) -> float:
        """Return seconds on a monotonic clock."""
        ...

    def wait(self, condition: threading.Condition, seconds: float) -> None:
        """Wait so long, or until the held condition is notified."""
        ...


class RealTime:
    """The clock on the wall."""

    def now(self) -> float:
        """Return monotonic seconds."""
        return time.monotonic()

    def wait(self, condition: threading.Condition, seconds: float) -> None:
        """Wait on the condition."""
        condition.wait(seconds)


class MadeUpTime:
    """A clock that moves only when somebody waits: tests need no patience."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def now(self) -> float:
        """Return the made-up seconds."""
        return self.seconds

    def wait(self, condition: threading.Condition, seconds: float) -> None:
        """Move the clock on."""
        del condition
        self.seconds += seconds
