"""Two jobs beside each other, value by value. Pure."""

from typing import Literal
from uuid import UUID

from pydantic import Field

from capture.model.fields import (
    Line,
    MachineId,
    Model,
    Slug,
    Utc,
    is_empty,
    is_none,
)
from capture.model.result import VerdictName
from capture.model.trend import Comparable, TrendPoint

#: ``same``: the difference lies within its expanded uncertainty. ``not told``: a bound, or no
#: uncertainty to hold the difference against.
Finding = Literal["same", "higher", "lower", "not told"]


class ComparedJob(Model):
    """One of the two."""

    job: UUID
    machine: MachineId
    title: Line
    started: Utc
    status: Line
    state: Line | None = Field(None, exclude_if=is_none)
    """``as-found`` or ``as-left``, where somebody said so."""
    verdict: VerdictName
    sentence: str
    """What the numbers of the job say, in one sentence."""


class ComparedValue(Comparable):
    """One value of both; one of the two may be missing."""

    first: TrendPoint | None = None
    second: TrendPoint | None = None
    difference_percent: float | None = Field(None, exclude_if=is_none)
    """Of the second, in per cent of the first."""
    expanded_percent: float | None = Field(None, ge=0, exclude_if=is_none)
    """Expanded uncertainty of that difference; a gain that both share is counted in it."""
    finding: Finding = "not told"
    """Whether the difference is more than its uncertainty."""


class Comparison(Model):
    """Two jobs, of one machine or of two, beside each other.

    Consumers pass over members they do not know.
    """

    schema_version: Literal[1] = 1
    site: Slug
    bench: Slug
    time: Utc
    first: ComparedJob
    second: ComparedJob
    values: tuple[ComparedValue, ...]
    differences: tuple[Line, ...] = Field((), exclude_if=is_empty)
    """What differs in the nameplates and conditions, in words."""
    left_out: tuple[str, ...] = Field((), exclude_if=is_empty)
    """What could not be compared, and why."""
