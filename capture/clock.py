"""Time, injected: monotonic seconds for durations, UTC for stamps.

Nothing in the core calls ``time`` or ``datetime.now`` by itself, so that a test decides what time
it is, and so that a step of the host's clock can never change how long something took.
"""

import ctypes
import sys
import threading
import time
from datetime import UTC, datetime, timedelta
from typing import Protocol

_STA_UNSYNC = 0x0040  # linux/timex.h
_ASK_EVERY = 1.0


class Clock(Protocol):
    """What the core asks of a clock."""

    def monotonic(self) -> float:
        """Seconds from an arbitrary start that never run backwards."""
        ...

    def utc(self) -> datetime:
        """Now, in UTC, as the host believes it."""
        ...

    def synchronised(self) -> bool | None:
        """Tell whether `utc` follows a reference; None where that cannot be known."""
        ...

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait until ``event`` is set or ``seconds`` have passed; True when it is set."""
        ...


class SystemClock:
    """The host's own clocks."""

    def __init__(self) -> None:
        self._asked_at = float("-inf")
        self._synchronised: bool | None = None

    def monotonic(self) -> float:
        """Seconds from an arbitrary start that never run backwards."""
        return time.monotonic()

    def utc(self) -> datetime:
        """Now, in UTC, as the host believes it."""
        return datetime.now(UTC)

    def synchronised(self) -> bool | None:
        """Tell what the kernel says, at most a second old: this is asked for every reading."""
        now = time.monotonic()
        if now - self._asked_at >= _ASK_EVERY:
            self._synchronised, self._asked_at = host_synchronised(), now
        return self._synchronised

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait until ``event`` is set or ``seconds`` have passed; True when it is set."""
        return event.wait(seconds)


class _Timex(ctypes.Structure):
    """The beginning of Linux's ``struct timex``, and more room than the rest of it needs."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * 512),
    )


def host_synchronised() -> bool | None:
    """Ask the kernel whether its clock follows a reference; None where it cannot be asked.

    The kernel knows it from whoever sets its clock (chrony, ntpd, systemd-timesyncd, PTP) and sets
    STA_UNSYNC by itself when nobody has done so for long. Nothing is changed: with no mode set,
    adjtimex only reads. Source: adjtimex(2), linux/timex.h.
    """
    if sys.platform != "linux":
        return None
    state = _Timex()
    try:
        if ctypes.CDLL(None).adjtimex(ctypes.byref(state)) < 0:
            return None  # not allowed here, as in some containers
    except (OSError, AttributeError):
        return None
    return not state.status & _STA_UNSYNC


class ManualClock:
    """A clock that moves only when told, or when somebody waits on it. For tests.

    ``says_synchronised`` is what it answers when asked whether it follows a reference.
    """

    def __init__(self, start: datetime | None = None) -> None:
        self.says_synchronised: bool | None = None
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

    def synchronised(self) -> bool | None:
        """Tell what it was told to say."""
        return self.says_synchronised

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Let ``seconds`` pass at once unless ``event`` is already set."""
        if not event.is_set():
            self.advance(seconds)
        return event.is_set()
