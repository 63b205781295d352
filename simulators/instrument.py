"""What every simulated instrument offers, whatever it measures and however it is served.

An instrument here is sans-I/O: it is handed bytes and the time, and gives bytes back. It owns no
port, clock or thread, so the same object is served on a pseudo-terminal, on TCP or on USB, and
tests drive it with made-up times.
"""

from typing import Protocol, runtime_checkable


class Instrument(Protocol):
    """A simulated instrument. All times are seconds on one monotonic clock."""

    def received(self, data: bytes, now: float) -> bytes:
        """Take bytes that the host sent; return what is answered at once (often nothing)."""
        ...

    def spoken(self, now: float) -> bytes:
        """Return what is sent by now without being asked again: readings, or late answers."""
        ...

    def wake_at(self) -> float | None:
        """Return when `spoken` next has something to do; None when only bytes can change that."""
        ...

    def command(self, line: str, now: float) -> str:
        """Do what the hand at the bench does ("pair U-V", "lift", "press"); return one line.

        The line starts with `ok: ` or, when nothing was done, with `no: ` and the reason.
        """
        ...


@runtime_checkable
class MessageBased(Protocol):
    """What a bus with IEEE 488.2 message exchange (USB488) asks of an instrument besides."""

    def status_byte(self, *, message_available: bool) -> int:
        """Return the status byte, its MAV bit (bit 4) as the bus sees it."""
        ...

    def clear_bus(self) -> None:
        """Forget unread input and unsent output (device clear, IEEE 488.2 §5.8)."""
        ...

    def unterminated(self) -> None:
        """Note that the host wanted to read with no query asked (error -420)."""
        ...

    def interrupted(self) -> None:
        """Note that the host wrote before it read the answer (error -410)."""
        ...
