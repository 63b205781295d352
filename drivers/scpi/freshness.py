"""Telling a new measurement from one that FETCh? hands over again.

``FETCh?`` gives the latest measurement, and gives it again when it is asked again. Three ways tell:

* an event register that the instrument sets with each measurement and that reading clears;
* the answer is another one than before, digit by digit;
* a person has said how long a measurement takes: after that time an equal answer is a new one.

Without the first and the third, a value that stays the same to the last digit is stored once.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Freshness:
    """How new measurements are told.

    Attributes:
        every: each answer is a new measurement (READ?, or a meter that waits with its answer).
        measures_every_s: how long one measurement takes; 0 where nobody knows.
        event_query, event_bit: register that tells, and its bit; empty where there is none.
    """

    every: bool = False
    measures_every_s: float = 0.0
    event_query: str = ""
    event_bit: int = 0


class Newness:
    """Remembers what was taken last."""

    def __init__(self, freshness: Freshness) -> None:
        self._is = freshness
        self._last: bytes | None = None
        self._taken_at = float("-inf")

    def forget(self) -> None:
        """Take the next answer for new, whatever it is."""
        self._last = None

    def is_new(self, answer: bytes, now: float) -> bool:
        """Tell whether an answer is a new measurement, and remember it if so."""
        freshness = self._is
        known = bool(freshness.every or freshness.event_query)
        aged = 0 < freshness.measures_every_s <= now - self._taken_at
        if not known and answer == self._last and not aged:
            return False
        self._last, self._taken_at = answer, now
        return True
