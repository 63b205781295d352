"""What the packets of a clamp meter mean.

The meter talks by itself; it is never sent anything.

Known damage and what is done about it:

* The port is opened in the middle of a packet: the rest of it has no valid CRC and is reported.
* A packet is lost: the sequence numbers have a hole, which is reported. After 256 lost packets in
  one go the hole cannot be seen; the supply of the meter is too slow for that.
* A packet comes twice with the same sequence number: it is one measurement, and is read once.
"""

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from capture.driver import (
    Action,
    Driver,
    Event,
    Indication,
    InputError,
    Malformed,
    Shown,
    Status,
    scale_number,
)
from clamp_packets.packets import Junk, Packet, Packets

_SILENCE = 0.5
_ABOVE_RANGE = 0x7FFFFFFF
_NO_VALUE = -0x80000000
_SEQUENCES = 256

#: Kind of value: quantity, unit.
_KINDS: Mapping[int, tuple[str, str]] = MappingProxyType(
    {
        1: ("current", "A"),
        2: ("voltage", "V"),
        3: ("frequency", "Hz"),
        4: ("temperature", "Cel"),
    }
)


@dataclass(frozen=True)
class ClampOptions:
    """What can be configured for one clamp meter."""

    conditions: dict[str, str] = field(
        default_factory=dict, metadata={"help": "settings to store with every value"}
    )


class ClampPackets(Driver):
    """Reads the packets of one clamp meter."""

    def __init__(self, options: ClampOptions) -> None:
        self._conditions = dict(options.conditions)
        self._packets = Packets()
        self._events: deque[Event] = deque()
        self._sequence: int | None = None
        self._last_byte = float("-inf")
        self._group = 0

    def receive(self, data: bytes, end_of_message: bool, now: float) -> None:  # noqa: ARG002, FBT001 - the driver interface
        """Take bytes from the link."""
        if data:
            self._last_byte = now
            self._take(self._packets.feed(data))

    def next_event(self) -> Event | None:
        """Give the oldest event that was not given yet."""
        return self._events.popleft() if self._events else None

    def outgoing(self, now: float) -> Iterable[Action]:
        """Send nothing; drop a packet that has begun and does not go on."""
        if self._packets.pending and now - self._last_byte >= _SILENCE:
            self._take(self._packets.give_up())
        return ()

    def wake_at(self) -> float | None:
        """Tell when a packet that has begun is given up."""
        return self._last_byte + _SILENCE if self._packets.pending else None

    def _take(self, found: list[Packet | Junk]) -> None:
        for each in found:
            if isinstance(each, Junk):
                self._events.append(
                    Malformed(each.raw, "no packet, or one whose CRC does not hold")
                )
            else:
                self._read(each)

    def _read(self, packet: Packet) -> None:
        if packet.sequence == self._sequence:
            return
        if self._sequence is not None:
            lost = (packet.sequence - self._sequence - 1) % _SEQUENCES
            if lost:
                self._events.append(Malformed(packet.raw, f"{lost} packets before it are missing"))
        self._sequence = packet.sequence
        self._group += 1
        try:
            # All or nothing: values that stand together are stored together.
            self._events.extend([self._indication(*value, packet.raw) for value in packet.values])
        except InputError as error:
            self._events.append(Malformed(packet.raw, str(error)))

    def _indication(self, kind: int, power: int, number: int, raw: bytes) -> Indication:
        """Read one value.

        Raises:
            InputError: a kind that is not known, or a number that no clamp meter shows.
        """
        if kind not in _KINDS:
            raise InputError(f"value of unknown kind {kind}")
        quantity, unit = _KINDS[kind]
        if number == _ABOVE_RANGE:
            shown = Shown("OL", unit, unit, None, Status.ABOVE_RANGE)
        elif number == _NO_VALUE:
            shown = Shown("---", unit, unit, None, Status.INVALID)
        else:
            shown = scale_number(_digits(number, power), unit)
        return Indication.of(
            quantity, unit, shown, raw, conditions=self._conditions, group=self._group
        )


def _digits(number: int, power: int) -> str:
    """Write a number and a power of ten as a display does, with all its digits."""
    if power >= 0:
        return f"{number}E{power}" if power else str(number)
    digits = f"{abs(number):0{1 - power}d}"
    return f"{'-' if number < 0 else ''}{digits[:power]}.{digits[power:]}"
