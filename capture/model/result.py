"""A result: a value computed from readings, with everything needed to compute it again."""

from typing import Literal
from uuid import UUID

from pydantic import Field

from capture.model.fields import Line, MachineId, Model, Slug, UnitCode, Utc, is_empty, is_none

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
    coverage_factor: float = Field(gt=0)


class CoverageInterval(Model):
    """One-sided bounds of the value's distribution by Monte Carlo (JCGM 101)."""

    probability: float
    lower: float
    upper: float
    floor: float
    """What a perfectly balanced set would read at most, from the instrument's noise alone."""
    trials: int


class JudgementRecord(Model):
    """What the value means against a limit, under a rule fixed before measuring."""

    verdict: VerdictName
    limit: float
    """In the unit of the value."""
    side: Literal["upper", "lower"]
    rule: Line
    acceptance_limit: float
    guard: float
    probability: float | None = Field(None, exclude_if=is_none)
    """Probability of conformity (JCGM 106), where an uncertainty is known."""
    source: Line
    """Where the limit comes from."""
    confidence: Line
    """How sure that source is."""
    reason: str = Field("", max_length=400, exclude_if=is_empty)


class ResultRecord(Model):
    """One computed value.

    Consumers pass over members they do not know.
    """

    schema_version: Literal[1] = 1
    id: UUID
    """UUIDv7."""
    site: Slug | None = Field(None, exclude_if=is_none)
    bench: Slug | None = Field(None, exclude_if=is_none)
    job: UUID | None = Field(None, exclude_if=is_none)
    machine: MachineId | None = Field(None, exclude_if=is_none)
    time: Utc
    """When it was computed."""
    name: Line
    """What it is, in words."""
    value: float | None
    """In ``unit``; null where only a bound is known."""
    unit: UnitCode | Literal["K"]
    bound: Literal["above", "below"] | None = Field(None, exclude_if=is_none)
    bound_value: float | None = Field(None, exclude_if=is_none)
    formula: Line
    inputs: tuple[Line, ...] = ()
    """Ids of the readings it was computed from."""
    constants: dict[str, float] = Field(default_factory=dict)
    uncertainty: ExpandedUncertainty | None = Field(None, exclude_if=is_none)
    coverage: CoverageInterval | None = Field(None, exclude_if=is_none)
    judgement: JudgementRecord | None = Field(None, exclude_if=is_none)
    notes: tuple[str, ...] = Field((), exclude_if=is_empty)
