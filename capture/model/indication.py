"""What an instrument showed (VIM: indication), before it is known when, where and of what."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from types import MappingProxyType

from capture.model.shown import Shown
from capture.model.status import ShownBound, Status

#: A condition under which a value was shown: words, yes or no, or a number with its UCUM unit.
Condition = str | bool | tuple[Decimal, str]

_NO_CONDITIONS: Mapping[str, Condition] = MappingProxyType({})


@dataclass(slots=True)
class Indication:
    """One value that an instrument showed. Not to be altered once it is made.

    Nothing enforces that: a frozen dataclass takes six times as long to make, and one is made of
    every value.

    Attributes:
        quantity: what it is of; a name from `capture.model.quantity`.
        unit: UCUM code of the base unit that ``value`` is in.
        value: exact number in that unit; None where the display has none.
        digits: the number exactly as shown.
        shown_unit: the unit exactly as shown; empty where the instrument leaves it out.
        status: how far the value can be believed.
        raw: the frame that it came in, terminator included.
        query: the query that it answers, where others were sent after that.
        bound: what an out-of-range display still tells.
        conditions: settings under which it was shown (function, frequency, range, law …).
        group: equal for values that stood in one frame; counts up within a session.
        elapsed: seconds into a timed series, as the instrument itself counts them.
        record: how the instrument identifies a stored result; the same record is one reading,
            however often it is sent.
        instrument_time: the instrument's own time of the value, as text, unchecked.
    """

    quantity: str
    unit: str
    value: Decimal | None
    digits: str
    shown_unit: str
    status: Status
    raw: bytes
    bound: ShownBound | None = None
    conditions: Mapping[str, Condition] = field(default_factory=lambda: _NO_CONDITIONS)
    group: int | None = None
    elapsed: Decimal | None = None
    record: str | None = None
    instrument_time: str | None = None
    query: str | None = None

    @classmethod
    def of(
        cls,
        quantity: str,
        unit: str,
        shown: Shown,
        raw: bytes,
        *,
        status: Status = Status.OK,
        conditions: Mapping[str, Condition] = _NO_CONDITIONS,
        group: int | None = None,
        query: str | None = None,
    ) -> "Indication":
        """Make an indication of ``quantity`` from a value as shown.

        ``status`` speaks for a value that has a number; a display without one keeps its own.
        """
        return cls(
            quantity=quantity,
            unit=unit,
            value=shown.value,
            digits=shown.digits,
            shown_unit=shown.shown_unit,
            status=shown.status if shown.status is not Status.OK else status,
            raw=raw,
            bound=shown.bound,
            conditions=conditions,
            group=group,
            query=query,
        )
