"""Two jobs beside each other, value by value. Pure."""

from typing import Literal
from uuid import UUID

from pydantic import Field

from capture.model.fields import (
    Bench,
    Line,
    MachineId,
    Model,
    SchemaVersion,
    Site,
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
    """Id of the job."""
    machine: MachineId
    """Name on the label of its machine."""
    title: Line
    """Title of its procedure."""
    started: Utc
    """When it was begun."""
    status: Line
    """How far it has come: running, paused, finished, signed-off or voided."""
    state: Line | None = Field(None, exclude_if=is_none)
    """``as-found`` or ``as-left``, where somebody said so."""
    verdict: VerdictName
    """Verdict on the whole job."""
    sentence: str
    """What the numbers of the job say, in one sentence."""


class ComparedValue(Comparable):
    """One value of both; one of the two may be missing."""

    first: TrendPoint | None = None
    """The value in the first job; null where that job has none."""
    second: TrendPoint | None = None
    """The value in the second job; null where that job has none."""
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

    schema_version: SchemaVersion = 1
    site: Site
    bench: Bench
    time: Utc
    """When the two were compared."""
    first: ComparedJob
    """The job that the other is held against, such as the one before a repair."""
    second: ComparedJob
    """The job that is held against it, such as the one after."""
    values: tuple[ComparedValue, ...]
    """Each value of either, those with a limit first."""
    differences: tuple[Line, ...] = Field((), exclude_if=is_empty)
    """What differs in the nameplates and conditions, in words."""
    left_out: tuple[str, ...] = Field((), exclude_if=is_empty)
    """What could not be compared, and why."""
