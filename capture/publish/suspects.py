"""Which entry is to blame where the broker does not say: kept over connections.

Two cases. A refusal without a cause (see `refusals.Action.DOUBT`): the entry is blamed when it was
refused so many times, and the broker took another one meanwhile. A connection that the broker ends
when it meets an entry, as brokers do with a packet that is too large for them: entries are then
sent one at a time, and the one that is alone in flight each time is blamed.
"""

from dataclasses import dataclass

_REFUSALS = 5
_LOSSES = 5
_SAME_FIRST = 3


@dataclass(slots=True)
class _Doubt:
    refusals: int = 0
    others_passed: bool = False


class Suspects:
    """Remembers refusals and losses by the number of the entry."""

    def __init__(self) -> None:
        self._doubts: dict[int, _Doubt] = {}
        self._first = 0
        self._losses = 0
        self._alone = 0
        self._careful_up_to = 0

    def careful(self, delivered: int) -> bool:
        """Tell whether entries are to be sent one at a time."""
        return delivered < self._careful_up_to

    def passed(self, n: int) -> None:
        """Take note that the broker took an entry."""
        if self._doubts:
            self._doubts.pop(n, None)
            for doubt in self._doubts.values():
                doubt.others_passed = True

    def refused(self, n: int) -> bool:
        """Take note of a refusal without a cause; True where the entry is to blame."""
        doubt = self._doubts.setdefault(n, _Doubt())
        doubt.refusals += 1
        return doubt.refusals >= _REFUSALS and doubt.others_passed

    def lost(self, in_flight: list[int], *, row_fault: bool, alone: bool) -> int | None:
        """Take note of a working connection that the broker ended; give the entry to blame.

        ``in_flight`` are the unacknowledged entries in order; ``row_fault`` tells that the broker
        named the fault of a message as its reason; ``alone`` that nothing else was in flight.
        """
        if not in_flight:
            return None
        first = in_flight[0]
        if first != self._first:
            self._first, self._losses, self._alone = first, 0, 0
        self._losses += 1
        self._alone += alone
        if alone and (row_fault or self._alone >= _LOSSES):
            return first
        if row_fault or self._losses >= _SAME_FIRST:
            self._careful_up_to = max(self._careful_up_to, in_flight[-1])
        return None
