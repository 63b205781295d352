"""The verdict on a value: simple, guarded or non-binary, and how probable conformity is."""

import itertools
from dataclasses import dataclass, replace
from math import isclose
from statistics import NormalDist
from typing import Literal, get_args

from .checks import finite
from .errors import MissingReadingError, MixedConditionsError, OutsideRangeError, UnknownChoiceError
from .limits import Limit
from .measured import COVERAGE_FACTOR, Measured
from .result import Bounded, Judgement, Result, Side, Verdict

Rule = Literal["simple", "guarded", "non-binary"]
RULES: tuple[Rule, ...] = get_args(Rule)
SIDES: tuple[Side, ...] = get_args(Side)

GOOD = (Verdict.PASS, Verdict.CONDITIONAL_PASS)


@dataclass(frozen=True, slots=True)
class _Case:
    """The value to be judged, taken apart."""

    value: float
    bound: str | None
    uncertainty: float | None
    coverage_factor: float


def judge(
    value: float | Measured | Bounded | Result,
    limit: float | Limit,
    side: Side | None = None,
    uncertainty: float | None = None,
    rule: Rule = "simple",
    *,
    guard_factor: float = 1.0,
    coverage_factor: float = COVERAGE_FACTOR,
) -> Judgement:
    """Judge a value against an upper or lower limit.

    `uncertainty` is the expanded U in the unit of the value; a Result or Measured brings its own.
    The guard band is w = guard_factor · U. For an upper limit TL (a lower one mirrors it):

    `simple`      pass ≤ TL < fail.
    `guarded`     pass ≤ TL − w < fail.
    `non-binary`  pass ≤ TL − w < conditional pass ≤ TL < conditional fail ≤ TL + w < fail.

    A value exactly on a bound of these ranges belongs to the better side. The statements follow
    ILAC-G8:09/2019, the probability of conformity JCGM 106:2012: Φ((TL − y)/u), or what the Monte
    Carlo distribution of the result says where it has one.

    A bounded reading gets the statement that holds for every value it may have, or inconclusive.
    A guarded or non-binary rule without an uncertainty is inconclusive. A `Limit` whose source is
    neither confirmed nor adopted by the site gives information only.

    Raises UnknownChoiceError for another rule or side, MissingReadingError for a bare number as
    limit without a side, MixedConditionsError when result and limit are of different unit or
    definition, OutsideRangeError for a negative uncertainty or guard factor.
    """
    if rule not in RULES:
        raise UnknownChoiceError("decision rule", rule, RULES)
    known = limit if isinstance(limit, Limit) else _bare(limit, side)
    if known.side not in SIDES:
        raise UnknownChoiceError("side", known.side, SIDES)
    _same_quantity(value, known)
    case = _take_apart(value, uncertainty, coverage_factor)
    if guard_factor < 0 or (case.uncertainty or 0) < 0:
        raise OutsideRangeError("an uncertainty or a guard factor is never negative")
    guard = 0.0 if rule == "simple" else guard_factor * (case.uncertainty or 0.0)
    verdict, reason = _verdict(case, known, rule, guard)
    return Judgement(
        verdict=verdict,
        limit=known.value,
        side=known.side,
        rule=rule,
        acceptance_limit=known.value - _sign(known.side) * guard,
        guard=guard,
        probability=_probability(value, case, known),
        source=known.source,
        confidence=known.confidence,
        reason=reason,
    )


def judged(
    result: Result, limit: Limit, rule: Rule = "simple", *, guard_factor: float = 1.0
) -> Result:
    """Give the same result with its judgement attached."""
    judgement = judge(result, limit, rule=rule, guard_factor=guard_factor)
    return replace(result, judgement=judgement)


def conformity(value: float, limit: float, side: Side, standard_uncertainty: float) -> float:
    """Give the probability that the true value keeps the limit (JCGM 106:2012, normal)."""
    margin = _sign(side) * (limit - value)
    if standard_uncertainty == 0:
        return 1.0 if margin >= 0 else 0.0
    return NormalDist().cdf(margin / standard_uncertainty)


def _sign(side: Side) -> int:
    return 1 if side == "upper" else -1


def _bare(limit: float, side: Side | None) -> Limit:
    if side is None:
        raise MissingReadingError(
            "the side", "a number alone is neither an upper nor a lower limit"
        )
    return Limit(
        id="",
        value=finite("limit", limit),
        unit="",
        side=side,
        source="given by the caller",
        confidence="as given",
        adopted=True,
    )


def _same_quantity(value: object, limit: Limit) -> None:
    if not isinstance(value, Result):
        return
    if limit.unit and limit.unit != value.unit:
        raise MixedConditionsError(
            f"the value is in {value.unit}, the limit {limit.id} in {limit.unit}"
        )
    if limit.formula and limit.formula != value.formula:
        raise MixedConditionsError(
            f"the limit {limit.id} was written for {limit.formula}, the value is {value.formula}:"
            " a limit holds only with its own definition"
        )


def _take_apart(
    value: float | Measured | Bounded | Result, uncertainty: float | None, factor: float
) -> _Case:
    if isinstance(value, Bounded):
        return _Case(finite("value", value.bound), value.side, uncertainty, factor)
    if isinstance(value, Measured):
        own = uncertainty if uncertainty is not None else factor * value.standard_uncertainty
        return _Case(finite("value", value.value), None, own, factor)
    if isinstance(value, Result):
        own_factor = value.coverage_factor or factor
        own_u = uncertainty if uncertainty is not None else value.uncertainty
        return _Case(finite("value", value.value), value.bound, own_u, own_factor)
    return _Case(finite("value", value), None, uncertainty, factor)


def _verdict(case: _Case, limit: Limit, rule: Rule, guard: float) -> tuple[Verdict, str]:
    if not limit.binding:
        reason = f"the source of the limit ({limit.confidence}) is not adopted by the site"
        return Verdict.INFORMATION_ONLY, reason
    if rule != "simple" and case.uncertainty is None:
        return Verdict.INCONCLUSIVE, f"the rule {rule} needs an uncertainty"
    statement = _statement(case.value, limit, rule, guard)
    if case.bound is None:
        return statement, ""
    # Beyond the bound the value can only get better, or only get worse.
    improves = (case.bound == "above") == (limit.side == "lower")
    if improves == (statement in GOOD):
        return statement, f"known only to be {case.bound} {case.value:g}"
    return Verdict.INCONCLUSIVE, f"known only to be {case.bound} {case.value:g}"


def _statement(value: float, limit: Limit, rule: Rule, guard: float) -> Verdict:
    def keeps(edge: float) -> bool:
        sign = _sign(limit.side)
        # A value keyed as 1.6 against 2 − 0.4 lies on the limit, whatever binary fractions say.
        return sign * (edge - value) >= 0 or isclose(edge, value, rel_tol=1e-12)

    sign = _sign(limit.side)
    inner, outer = limit.value - sign * guard, limit.value + sign * guard
    if keeps(inner):
        return Verdict.PASS
    if rule != "non-binary":
        return Verdict.FAIL
    if keeps(limit.value):
        return Verdict.CONDITIONAL_PASS
    return Verdict.CONDITIONAL_FAIL if keeps(outer) else Verdict.FAIL


def _probability(value: object, case: _Case, limit: Limit) -> float | None:
    if case.bound is not None:
        return None
    if isinstance(value, Result) and value.coverage is not None:
        below = _share_below(value.coverage.quantiles, limit.value)
        return below if limit.side == "upper" else 1 - below
    if case.uncertainty is None:
        return None
    standard = case.uncertainty / case.coverage_factor
    return conformity(case.value, limit.value, limit.side, standard)


def _share_below(quantiles: tuple[float, ...], value: float) -> float:
    """Give the share of a distribution that is not above a value, all of equal quantiles too."""
    if value < quantiles[0]:
        return 0.0
    steps = len(quantiles) - 1
    for place, (low, high) in enumerate(itertools.pairwise(quantiles)):
        if value < high:
            return (place + (value - low) / (high - low)) / steps
    return 1.0
