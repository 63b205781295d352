"""A trend: one quantity at one test point of one machine, over its jobs. Pure."""

from typing import Literal
from uuid import UUID

from pydantic import Field

from capture.model.fields import Line, Model, QuantityName, UnitCode, Utc, is_none


class TrendPoint(Model):
    """One job's value."""

    job: UUID
    time: Utc
    value: float
    """In the trend's unit, brought to its reference temperature."""
    expanded: float | None = Field(None, ge=0, exclude_if=is_none)
    """Expanded uncertainty, where one is known."""


class TrendSlope(Model):
    """A straight line through the values."""

    per_year: float
    """In the trend's unit."""
    expanded: float = Field(ge=0)
    """Expanded uncertainty of ``per_year``."""


class Trend(Model):
    """How a value has moved over the jobs of a machine."""

    quantity: QuantityName
    point: Line
    """Test point, such as ``U-V``."""
    unit: UnitCode
    reference_celsius: float | None = Field(None, exclude_if=is_none)
    """Temperature that the values were brought to, °C."""
    points: tuple[TrendPoint, ...]
    """Oldest first; the last one is this job's."""
    baseline: float | None = Field(None, exclude_if=is_none)
    lower_control: float | None = Field(None, exclude_if=is_none)
    upper_control: float | None = Field(None, exclude_if=is_none)
    limit: float | None = Field(None, exclude_if=is_none)
    side: Literal["upper", "lower"] | None = Field(None, exclude_if=is_none)
    change_last_percent: float | None = Field(None, exclude_if=is_none)
    """Since the test before."""
    change_baseline_percent: float | None = Field(None, exclude_if=is_none)
    slope: TrendSlope | None = Field(None, exclude_if=is_none)
    crosses: Utc | None = Field(None, exclude_if=is_none)
    """When the limit would be crossed if it went on like this; left out for no trend."""
