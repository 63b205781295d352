"""What state a shown value was in, and the bound that an out-of-range display still tells."""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum


class Status(StrEnum):
    """How far a shown value can be believed."""

    OK = "ok"
    ABOVE_RANGE = "above-range"
    """More than the instrument can show; no value, perhaps a bound."""
    BELOW_RANGE = "below-range"
    """Less than the instrument can show; no value, perhaps a bound."""
    INVALID = "invalid"
    """The instrument says itself that it has no valid value."""
    UNSETTLED = "unsettled"
    """A value that is still moving (inductive settling, absorption)."""
    STALE = "stale"
    """A value shown again, not measured again."""
    LIVE_VOLTAGE = "live-voltage"
    """The instrument found voltage on the object under test."""
    BREAKDOWN = "breakdown"
    """The insulation gave way during the test."""
    ABORTED = "aborted"
    """The measurement was ended before it was complete."""


#: Statuses under which a number must not stand: there is none.
VALUELESS = frozenset({Status.ABOVE_RANGE, Status.BELOW_RANGE, Status.INVALID})


class Side(StrEnum):
    """On which side of a bound the true value lies."""

    ABOVE = "above"
    BELOW = "below"


@dataclass(frozen=True, slots=True)
class ShownBound:
    """``>5.5 GΩ`` as shown: the side, and the bound in the base unit."""

    side: Side
    value: Decimal
