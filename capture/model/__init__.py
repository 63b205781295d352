"""What is shared by everybody: quantities, units, readings, tags. Pure; no I/O, no clock."""

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
from capture.model.source import Computed, Imported, Keyed, Photographed, Polled, Source, Streamed
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
