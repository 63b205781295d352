"""What a computation gives back: a number that can account for itself."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Literal

Bound = Literal["above", "below"]
Side = Literal["upper", "lower"]


class Verdict(StrEnum):
    """What is said of a value against its limit (ILAC-G8:09/2019 statements, and their absence)."""

    PASS = "pass"  # noqa: S105 - a verdict, no password
    CONDITIONAL_PASS = "conditional pass"  # noqa: S105 - same
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"
    NOT_APPLICABLE = "not applicable"
    INFORMATION_ONLY = "information only"
    INCONCLUSIVE = "inconclusive"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounded:
    """A reading of which only a bound is known, such as `> 5.5 GΩ` or an open pair."""

    bound: float
    side: Bound = "above"


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """The distribution that a Monte Carlo run (JCGM 101) found for a value.

    `lower` and `upper` are one-sided: the value is above `lower`, or below `upper`, each with
    `probability`. `floor` is what a perfectly balanced set would read at most, with the same
    probability, from the noise of the instrument alone. `quantiles` runs evenly from 0 to 1.
    """

    probability: float
    lower: float
    upper: float
    floor: float
    trials: int
    quantiles: tuple[float, ...] = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What a value means against a limit, under a rule that was fixed before measuring.

    `guard` is w in the unit of the value, `acceptance_limit` is the limit moved inwards by it.
    `probability` is the probability of conformity, None where no uncertainty is known.
    `source` and `confidence` say where the limit comes from and how sure that is.
    """

    verdict: Verdict
    limit: float
    side: Side
    rule: str
    acceptance_limit: float
    guard: float
    probability: float | None = None
    source: str = "given by the caller"
    confidence: str = "as given"
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """A computed value with all that is needed to compute it again.

    `unit` is a UCUM code. `bound` is set where the value itself is known only as a bound.
    `uncertainty` is the expanded uncertainty U in the same unit and `coverage_factor` the k that
    made it from the standard uncertainty; both are None where the readings came without one.
    `coverage` is the distribution, where a symmetric ± would mislead. `inputs` are the ids of the
    readings, `constants` the numbers that did not come from the instrument, `notes` plain
    sentences for the person who reads the result. `variable` is the same value as the
    `uncertainties` package keeps it, so that a next step knows what the two have in common.
    """

    value: float
    unit: str
    formula: str
    inputs: tuple[str, ...] = ()
    constants: Mapping[str, float] = field(default_factory=dict)
    uncertainty: float | None = None
    coverage_factor: float | None = None
    coverage: Coverage | None = None
    bound: Bound | None = None
    judgement: Judgement | None = None
    notes: tuple[str, ...] = ()
    variable: Any = field(default=None, repr=False, compare=False)

    def __float__(self) -> float:
        return self.value

    @property
    def standard_uncertainty(self) -> float | None:
        """U divided by k, or None where no uncertainty is known."""
        if self.uncertainty is None or not self.coverage_factor:
            return None
        return self.uncertainty / self.coverage_factor
