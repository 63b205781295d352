"""A value judged where one of several limits holds, and nobody knows which."""

from collections.abc import Mapping
from dataclasses import replace

from .decide import GOOD, Rule, judge
from .errors import MissingReadingError, MixedConditionsError
from .limits import Limit
from .result import Judgement, Result, Verdict

_BAD = (Verdict.CONDITIONAL_FAIL, Verdict.FAIL)


def judge_either(
    value: Result,
    limits: Mapping[str, Limit],
    rule: Rule = "simple",
    *,
    ask: str = "say which it is",
) -> Judgement:
    """Judge a value against each of the limits, and say what is true whichever holds.

    `limits` are named by what the thing would have to be, such as "form-wound". A pass needs all of
    them, so it is the strictest that gives it; a fail needs all of them too, so it is the mildest
    that gives it. Everything else is inconclusive, and the reason says what it would be in each
    case. No limit is ever taken because it is the milder one. One limit alone is judged as `judge`
    does. `ask` ends the reason: what a person may do about it.

    Raises MissingReadingError for no limit, MixedConditionsError for upper beside lower limits,
    and what `judge` raises.
    """
    if not limits:
        raise MissingReadingError("a limit", "there is none to judge by")
    if len({limit.side for limit in limits.values()}) > 1:
        raise MixedConditionsError("an upper limit and a lower one do not stand for each other")
    upper = next(iter(limits.values())).side == "upper"
    # Strictest first.
    order = sorted(limits, key=lambda name: limits[name].value, reverse=not upper)
    found = {name: judge(value, limits[name], rule=rule) for name in order}
    verdicts = [each.verdict for each in found.values()]
    strictest, mildest = found[order[0]], found[order[-1]]
    if len(set(verdicts)) == 1 or all(each in GOOD for each in verdicts):
        return mildest if verdicts[0] in _BAD else strictest
    if all(each in _BAD for each in verdicts):
        return mildest
    cases = ", ".join(f"{found[name].verdict} if {name}" for name in limits)
    return replace(strictest, verdict=Verdict.INCONCLUSIVE, reason=f"{cases}: {ask}")
