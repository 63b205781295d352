"""What is shared by everybody: quantities, units, readings, tags. Pure; no I/O, no clock.

Each part is imported when it is first asked for: who only delivers needs few of them.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from capture.model.ids import new_id
    from capture.model.indication import Condition, Indication
    from capture.model.quantity import Quantity, unit_of
    from capture.model.reading import (
        Bound,
        Evidence,
        PointOfTest,
        Quantified,
        Raw,
        Reading,
        ReadingDraft,
        ReadingTag,
        Series,
        Uncertainty,
    )
    from capture.model.shown import Shown, parse_number, parse_shown, scale_number
    from capture.model.source import (
        Computed,
        Imported,
        Keyed,
        Photographed,
        Polled,
        Source,
        Streamed,
    )
    from capture.model.status import ShownBound, Side, Status
    from capture.model.tag import Gap, Tag
    from capture.model.testpoint import Direction, TestPoint
    from capture.model.units import Scale, parse_unit

__all__ = [
    "Bound",
    "Computed",
    "Condition",
    "Direction",
    "Evidence",
    "Gap",
    "Imported",
    "Indication",
    "Keyed",
    "Photographed",
    "PointOfTest",
    "Polled",
    "Quantified",
    "Quantity",
    "Raw",
    "Reading",
    "ReadingDraft",
    "ReadingTag",
    "Scale",
    "Series",
    "Shown",
    "ShownBound",
    "Side",
    "Source",
    "Status",
    "Streamed",
    "Tag",
    "TestPoint",
    "Uncertainty",
    "new_id",
    "parse_number",
    "parse_shown",
    "parse_unit",
    "scale_number",
    "unit_of",
]

_HOMES = {
    "ids": ("new_id",),
    "indication": ("Condition", "Indication"),
    "quantity": ("Quantity", "unit_of"),
    "reading": (
        "Bound",
        "Evidence",
        "PointOfTest",
        "Quantified",
        "Raw",
        "Reading",
        "ReadingDraft",
        "ReadingTag",
        "Series",
        "Uncertainty",
    ),
    "shown": ("Shown", "parse_number", "parse_shown", "scale_number"),
    "source": ("Computed", "Imported", "Keyed", "Photographed", "Polled", "Source", "Streamed"),
    "status": ("ShownBound", "Side", "Status"),
    "tag": ("Gap", "Tag"),
    "testpoint": ("Direction", "TestPoint"),
    "units": ("Scale", "parse_unit"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

if not TYPE_CHECKING:

    def __getattr__(name: str) -> Any:
        if name not in _HOME_OF:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        return getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
