r"""What a driver is: a sans-I/O translator between bytes and indications, and how it is announced.

A driver reads no clock and owns no port, file or thread. It is given bytes and the time, and it is
asked what it wants to send. That makes it testable byte by byte, and the same driver serves
serial, TCP and USB.

    session                         driver
    ───────                         ──────
    outgoing(now)          ──▶      Send(b"FETC?\n", LINE, 2.0)
    receive(b"+8.4", …)    ──▶      (keeps the part of a line)
    receive(b"21E-01\n")  ──▶
    next_event()           ──▶      Indication(resistance, 0.8421 Ohm)
    next_event()           ──▶      None: no more for now
    wake_at()              ──▶      when outgoing() should be asked again
"""

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from capture.driver.events import Action, Event
from capture.driver.profile import Profile

#: Version of this interface. A driver made for another major version is refused by name.
API_VERSION = 1


class Driver(ABC):
    """One instrument's translator, for one session on one open link.

    A session makes a new driver each time a link is opened; nothing is carried over but what
    `resume` takes.
    """

    def resume(self, earlier: "Driver") -> None:  # noqa: B027 - most drivers take nothing
        """Take over what the driver of the session before found out about its instrument.

        Called before anything else, where a link was lost and is open again. Meanwhile another
        instrument may have been put there: take only what is checked before it is relied on.
        """

    @abstractmethod
    def receive(self, data: bytes, end_of_message: bool, now: float) -> None:  # noqa: FBT001 - the answer of a link's read, passed on as it is
        """Take bytes from the link, in any pieces.

        ``end_of_message`` is True where the link marks the end of a message (USBTMC); stream links
        never do. ``now`` is monotonic seconds. Bad bytes become `Malformed` events, never
        exceptions; an exception is a bug in the driver and stops its instrument.
        """

    @abstractmethod
    def next_event(self) -> Event | None:
        """Give the oldest event that was not given yet; None when there is no more for now."""

    @abstractmethod
    def outgoing(self, now: float) -> Iterable[Action]:
        """Give what is to be sent by now, in order; empty while there is nothing to send.

        Called before every read. A query that was not answered in time is noticed here, too:
        the driver then gives a `NoAnswer` event and asks for `Resync` before it sends again.
        """

    def closing(self, now: float) -> Iterable[Action]:  # noqa: ARG002 - for those who override it
        """Give what is to be sent before the link is closed in good order; no answer is awaited."""
        return ()

    @abstractmethod
    def wake_at(self) -> float | None:
        """Tell when `outgoing` must be asked again at the latest; None for "only after bytes"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverSpec:
    """The announcement of one driver.

    Attributes:
        id: what a configuration names it by; lower case, digits and dashes.
        api_version: the `API_VERSION` that the driver was written for, as a number: a driver that
            takes it from here would match whatever it meets.
        summary: one line for ``benchtally drivers``.
        options: a dataclass of what can be configured; its annotations are checked, its defaults
            used. A field's ``metadata={"help": ...}`` is shown to people.
        create: makes a driver for one session from its options.
        messages: every message that a driver with these options may send, without terminators.
        profile: the profile that these options name; None where there is none.
        profiles: package whose folder ``profiles`` holds the built-in profiles; empty for none.
        version: the driver's own version; the distribution's where empty.
    """

    id: str
    api_version: int
    summary: str
    options: type[Any]
    create: Callable[[Any], Driver]
    messages: Callable[[Any], Sequence[bytes]]
    profile: Callable[[Any], Profile | None] = lambda _options: None
    profiles: str = ""
    version: str = ""
