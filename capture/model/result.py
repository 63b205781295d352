"""A result: a value computed from readings, with everything needed to compute it again."""

from typing import Literal
from uuid import UUID

from pydantic import Field

from capture.model.fields import (
    Line,
    MachineId,
    Model,
    SchemaVersion,
    Slug,
    UnitCode,
    Utc,
    is_empty,
    is_none,
)

#: What is said of a value against a limit; the four with pass and fail are ILAC-G8 statements.
VerdictName = Literal[
    "pass",
    "conditional pass",
    "conditional fail",
    "fail",
    "not applicable",
    "information only",
    "inconclusive",
]


class ExpandedUncertainty(Model):
    """U = k·u, in the unit of the value (JCGM 100)."""

    expanded: float = Field(ge=0)
    """U."""
    coverage_factor: float = Field(gt=0)
    """k."""


class CoverageInterval(Model):
    """One-sided bounds of the value's distribution by Monte Carlo (JCGM 101)."""

    probability: float
    """Of each bound, one-sided."""
    lower: float
    """The value lies above it with ``probability``; in the unit of the result."""
    upper: float
    """The value lies below it with ``probability``; in the unit of the result."""
    floor: float
    """What a perfectly balanced set would read at most, from the instrument's noise alone."""
    trials: int
    """How often the readings were drawn."""


class JudgementRecord(Model):
    """What the value means against a limit, under a rule fixed before measuring."""

    verdict: VerdictName
    """Statement of conformity (ILAC-G8), or why there is none."""
    limit: float
    """In the unit of the value."""
    side: Literal["upper", "lower"]
    """``upper``: more is worse; ``lower``: less is worse."""
    rule: Line
    """Decision rule: simple, guarded or non-binary."""
    acceptance_limit: float
    """The limit brought in by the guard band; what lies on its good side passes."""
    guard: float
    """Width w of the guard band, in the unit of the value."""
    probability: float | None = Field(None, exclude_if=is_none)
    """Probability of conformity (JCGM 106), where an uncertainty is known."""
    source: Line
    """Where the limit comes from."""
    confidence: Line
    """How sure that source is."""
    reason: str = Field("", max_length=400, exclude_if=is_empty)
    """Why the verdict is what it is, where that is not plain."""


class ResultRecord(Model):
    """One computed value.

    Consumers pass over members they do not know.
    """

    schema_version: SchemaVersion = 1
    id: UUID
    """UUIDv7."""
    site: Slug | None = Field(None, exclude_if=is_none)
    """Site whose bench computed it; left out for a file of readings judged by itself."""
    bench: Slug | None = Field(None, exclude_if=is_none)
    """Bench that computed it; left out for a file of readings judged by itself."""
    job: UUID | None = Field(None, exclude_if=is_none)
    """Id of the job that it belongs to; left out outside a job."""
    machine: MachineId | None = Field(None, exclude_if=is_none)
    """Name on the label of the machine; left out where none is given."""
    time: Utc
    """When it was computed."""
    name: Line
    """What it is, in words."""
    value: float | None
    """In ``unit``; null where only a bound is known."""
    unit: UnitCode | Literal["K"]
    """UCUM code, or K for a difference of temperatures."""
    bound: Literal["above", "below"] | None = Field(None, exclude_if=is_none)
    """Which side of ``bound_value`` the value lies on, where only that is known."""
    bound_value: float | None = Field(None, exclude_if=is_none)
    """In ``unit``."""
    formula: Line
    """Name of the computation."""
    inputs: tuple[Line, ...] = ()
    """Ids of the readings it was computed from."""
    constants: dict[str, float] = Field(default_factory=dict)
    """Every constant that did not come from the instrument, by name."""
    uncertainty: ExpandedUncertainty | None = Field(None, exclude_if=is_none)
    """Left out where an uncertainty of the readings is not known."""
    coverage: CoverageInterval | None = Field(None, exclude_if=is_none)
    """Bounds by Monte Carlo, where ± U would mislead: an unbalance."""
    voided: Literal[True] | None = Field(None, exclude_if=is_none)
    """True where the job that it belongs to is void: it says nothing of the machine. The judgement
    is "not applicable" then, whatever an earlier result of the same name says."""
    judgement: JudgementRecord | None = Field(None, exclude_if=is_none)
    """Left out where there is no limit for it."""
    notes: tuple[str, ...] = Field((), exclude_if=is_empty)
    """What was assumed, not used or not applied, and why."""

    @property
    def verdict(self) -> str | None:
        """The verdict as a table shows it; of a void job's result, of one without a limit too."""
        if self.voided:
            return "not applicable"
        return None if self.judgement is None else str(self.judgement.verdict)
