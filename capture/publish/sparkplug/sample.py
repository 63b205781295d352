"""A reading as a Sparkplug host sees it: one value of one metric of one device."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

# Values of the property Quality (Eclipse Sparkplug 3.0, payloads-propertyset-quality-value-value).
BAD, GOOD, STALE = 0, 192, 500

_STALE = frozenset({"unsettled", "stale"})
_BY_INSTRUMENT = frozenset({"streamed", "polled"})
_TO_MILLISECONDS = 1000


@dataclass(frozen=True, slots=True)
class Sample:
    """One value.

    Attributes:
        device, name: the instrument, and the quantity, which is the metric's name.
        unit: UCUM code.
        time: when it was taken, milliseconds since 1970 in UTC.
        value: in ``unit``; None where the instrument showed no number.
        status: the reading's own.
        reading: the reading's id, by which a host can tell what it has already.
        by_hand: whether a person entered it, rather than an instrument sending it.
        bound: of a value above or below range, the end of the range, where known.
    """

    device: str
    name: str
    unit: str
    time: int
    value: float | None
    status: str
    reading: str
    by_hand: bool = False
    bound: float | None = None

    @property
    def quality(self) -> int:
        """The value's quality: good, stale where a value is there and not to be used, else bad."""
        if self.status == "ok":
            return GOOD
        return STALE if self.status in _STALE else BAD


def sample_of(reading: Mapping[str, Any]) -> Sample:
    """Take what a host is told from a reading as it is stored."""
    bound = reading.get("bound")
    return Sample(
        device=reading["instrument"],
        name=reading["quantity"],
        unit=reading["unit"],
        time=round(datetime.fromisoformat(reading["time"]).timestamp() * _TO_MILLISECONDS),
        value=reading["value"],
        status=reading["status"],
        reading=reading["id"],
        by_hand=reading["source"]["kind"] not in _BY_INSTRUMENT,
        bound=None if bound is None else bound["value"],
    )


def sample_from(body: bytes) -> Sample:
    """Take it from the stored bytes."""
    return sample_of(json.loads(body))
