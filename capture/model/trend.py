"""A trend: one value at one test point of one machine, over its jobs. Pure."""

from typing import Literal
from uuid import UUID

from pydantic import Field

from capture.model.fields import (
    Bench,
    Line,
    MachineId,
    Model,
    QuantityName,
    SchemaVersion,
    Site,
    UnitCode,
    Utc,
    is_empty,
    is_none,
)
from capture.model.result import VerdictName


class TrendPoint(Model):
    """One job's value."""

    job: UUID
    """Id of the job that gave it."""
    time: Utc
    """When the newest reading behind it was taken."""
    value: float | None
    """In the trend's unit, brought to its reference temperature; null where only a bound is
    known."""
    bound: Literal["above", "below"] | None = Field(None, exclude_if=is_none)
    """Which side of ``bound_value`` the value lies on, where only that is known."""
    bound_value: float | None = Field(None, exclude_if=is_none)
    """In the trend's unit."""
    expanded: float | None = Field(None, ge=0, exclude_if=is_none)
    """Expanded uncertainty, where one is known."""
    verdict: VerdictName | None = Field(None, exclude_if=is_none)
    """What was said of it in its job."""


class TrendSlope(Model):
    """A line through the values; straight, or straight in their logarithm."""

    per_year: float
    """In the trend's unit: what the coming year would change."""
    expanded: float = Field(ge=0)
    """Expanded uncertainty of ``per_year``, about 95 %."""
    percent_per_year: float | None = Field(None, exclude_if=is_none)
    """The same in per cent of the line's value at the newest job."""


class Comparable(Model):
    """What must agree for values of several jobs to be held against each other."""

    quantity: QuantityName
    """What the values are of; ``unbalance`` says of what in ``of``."""
    of: QuantityName | None = Field(None, exclude_if=is_none)
    """Quantity that an unbalance is one of."""
    point: Line
    """Test point, such as ``U-V``; several, parted by commas, for what was computed of them."""
    unit: UnitCode
    """UCUM code of the values."""
    name: Line | None = Field(None, exclude_if=is_none)
    """Name of the result, where the values are computed ones."""
    formula: Line | None = Field(None, exclude_if=is_none)
    """Computation that the values come from; left out for readings as they were."""
    reference_celsius: float | None = Field(None, exclude_if=is_none)
    """Temperature that the values were brought to, °C."""
    hertz: float | None = Field(None, exclude_if=is_none)
    """Frequency of the measurement, where it matters."""
    rotor: Literal["in", "out", "unknown"] | None = Field(None, exclude_if=is_none)
    """Where the rotor was."""
    law: Line | None = Field(None, exclude_if=is_none)
    """Which time a pulse time is."""
    measured_at: Line | None = Field(None, exclude_if=is_none)
    """``terminals`` or ``through-cable``, where somebody said so."""


class Trend(Comparable):
    """How a value has moved over the jobs of a machine."""

    scale: Literal["linear", "logarithmic"] = "linear"
    """Whether the values or their logarithms are looked at."""
    direction: Literal["unknown", "none", "rising", "falling"] = "unknown"
    """``none`` where the slope is less than its uncertainty, ``unknown`` where there is none."""
    points: tuple[TrendPoint, ...]
    """Oldest first; in a record the last one is its own job's."""
    baseline: float | None = Field(None, exclude_if=is_none)
    """First value since the winding was new, or since it is known."""
    center: float | None = Field(None, exclude_if=is_none)
    """Mean of the earlier values, between the control limits."""
    lower_control: float | None = Field(None, exclude_if=is_none)
    """Control limit: values below it are out of the ordinary for this machine."""
    upper_control: float | None = Field(None, exclude_if=is_none)
    """The same, above."""
    limit: float | None = Field(None, exclude_if=is_none)
    """Limit of the newest job that has one, in the trend's unit."""
    side: Literal["upper", "lower"] | None = Field(None, exclude_if=is_none)
    """``upper``: more is worse; ``lower``: less is worse."""
    limit_source: Line | None = Field(None, exclude_if=is_none)
    """Where that limit comes from; left out without a limit."""
    change_last_percent: float | None = Field(None, exclude_if=is_none)
    """Since the test before."""
    change_baseline_percent: float | None = Field(None, exclude_if=is_none)
    """Since the baseline."""
    slope: TrendSlope | None = Field(None, exclude_if=is_none)
    """Left out where there are too few values."""
    crosses: Utc | None = Field(None, exclude_if=is_none)
    """When the limit would be crossed if it went on like this; left out for no trend."""
    crosses_earliest: Utc | None = Field(None, exclude_if=is_none)
    """The same by the steepest slope that the uncertainty allows."""
    notes: tuple[str, ...] = Field((), exclude_if=is_empty)
    """What was not computed or not used, and why."""


class MachineTrends(Model):
    """All trends of one machine, as they are when it is asked.

    Consumers pass over members they do not know.
    """

    schema_version: SchemaVersion = 1
    site: Site
    bench: Bench
    machine: MachineId
    """Name on the label of the machine."""
    time: Utc
    """When it was computed."""
    trends: tuple[Trend, ...]
    """One for each set of values that can be held against each other."""
    left_out: tuple[str, ...] = Field((), exclude_if=is_empty)
    """What could not be put into a trend, and why."""
