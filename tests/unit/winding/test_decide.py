"""Decision rules, bounded readings and probability of conformity."""

import pytest

from capture.winding import (
    RULES,
    Bounded,
    Limit,
    Measured,
    MissingReadingError,
    MixedConditionsError,
    OutsideRangeError,
    Result,
    UnknownChoiceError,
    Verdict,
    conformity,
    judge,
    judged,
    load_limits,
    unbalance,
)

PASS, FAIL = Verdict.PASS, Verdict.FAIL
CONDITIONAL_PASS, CONDITIONAL_FAIL = Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL


@pytest.mark.parametrize(
    ("value", "verdict"),
    # ILAC-G8:09/2019 statements (a public copy, p. 10), numbers made up: TL 100, w 4
    [
        (95, PASS),
        (96, PASS),
        (98, CONDITIONAL_PASS),
        (100, CONDITIONAL_PASS),
        (102, CONDITIONAL_FAIL),
        (104, CONDITIONAL_FAIL),
        (105, FAIL),
    ],
)
def test_non_binary_upper_limit(value, verdict):
    assert judge(value, 100, "upper", 4, "non-binary").verdict is verdict


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(107, PASS), (103, CONDITIONAL_PASS), (97, CONDITIONAL_FAIL), (93, FAIL)],  # mirrored, w 6
)
def test_non_binary_lower_limit(value, verdict):
    assert judge(value, 100, "lower", 6, "non-binary").verdict is verdict


def test_guarded_acceptance_limit():
    """Limit 2 %, U 0.4 %: accepted up to 1.6 % (computed)."""
    judgement = judge(1.6, 2.0, "upper", 0.4, "guarded")
    assert judgement.acceptance_limit == pytest.approx(1.6)
    assert judgement.verdict is PASS
    assert judge(1.6001, 2.0, "upper", 0.4, "guarded").verdict is FAIL
    assert judge(1.7, 2.0, "upper", 0.4, "guarded", guard_factor=0.5).verdict is PASS


def test_simple_rule_takes_the_limit_itself():
    assert judge(2.0, 2.0, "upper").verdict is PASS
    assert judge(2.0, 2.0, "lower").verdict is PASS
    assert judge(2.0001, 2.0, "upper").verdict is FAIL


@pytest.mark.parametrize(
    ("value", "limit", "u", "probability"),
    [
        (509.7, 490, 8.6, 0.98901),  # JCGM 106:2012, container example (from memory, medium)
        (0.07, 0.0, 0.05, 0.91924),  # computed
    ],
)
def test_conformity(value, limit, u, probability):
    assert conformity(value, limit, "lower", u) == pytest.approx(probability, abs=1e-5)
    assert conformity(-value, -limit, "upper", u) == pytest.approx(probability, abs=1e-5)
    assert judge(value, limit, "lower", 2 * u).probability == pytest.approx(probability, abs=1e-5)


@pytest.mark.parametrize(
    ("guard", "risk"),
    [
        (0.0, 0.5),  # public: thelab.asia/decision-rule; the value at the acceptance limit
        (1.0, 0.025),  # same
        (0.83, 0.05),  # ISO 14253-1:2017 (from memory, sure)
        (1.5, 0.0016),  # from memory, sure
    ],
)
def test_specific_risk_at_the_acceptance_limit(guard, risk):
    judgement = judge(100 - guard * 4, 100, "upper", 4, "guarded", guard_factor=guard)
    assert judgement.verdict is PASS
    assert 1 - judgement.probability <= risk


def test_without_uncertainty():
    assert conformity(1, 2, "upper", 0) == 1
    assert conformity(3, 2, "upper", 0) == 0
    assert judge(1, 2, "upper").probability is None
    for rule in ("guarded", "non-binary"):
        judgement = judge(1, 2, "upper", None, rule)
        assert judgement.verdict is Verdict.INCONCLUSIVE
        assert "uncertainty" in judgement.reason


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize(
    ("bounded", "side", "verdict"),
    [
        (Bounded(bound=5.5e9), "lower", PASS),  # > 5.5 GΩ against at least 100 MΩ
        (Bounded(bound=5.5e9), "upper", FAIL),
        (Bounded(bound=50e6), "lower", Verdict.INCONCLUSIVE),
        (Bounded(bound=50e6, side="below"), "lower", FAIL),
        (Bounded(bound=50e6, side="below"), "upper", PASS),
        (Bounded(bound=5.5e9, side="below"), "lower", Verdict.INCONCLUSIVE),
        (Bounded(bound=5.5e9, side="below"), "upper", Verdict.INCONCLUSIVE),
    ],
)
def test_a_bound_is_judged_by_what_it_allows(rule, bounded, side, verdict):
    judgement = judge(bounded, 100e6, side, 10e6, rule)
    assert judgement.verdict is verdict
    assert judgement.probability is None
    assert f"{bounded.side}" in judgement.reason


def test_unadopted_limit_gives_information_only():
    limits = load_limits()
    result = unbalance([1.0, 1.2, 1.0], "mean")
    judgement = judge(result, limits["resistance-unbalance-random"])
    assert judgement.verdict is Verdict.INFORMATION_ONLY
    assert "not adopted" in judgement.reason
    assert judgement.source == "ANSI/EASA AR100-2020"
    assert judgement.confidence == "second-hand"


def test_result_keeps_its_judgement():
    limit = load_limits(site={"resistance-unbalance-form": {"adopted": True}})[
        "resistance-unbalance-form"
    ]
    result = judged(unbalance([13.85, 13.92, 13.89], "mean"), limit)
    assert result.judgement.verdict is PASS


def test_result_brings_its_uncertainty():
    result = Result(value=98, unit="Ohm", formula="x", uncertainty=4, coverage_factor=2)
    judgement = judge(result, 100, "upper", rule="non-binary")
    assert judgement.verdict is CONDITIONAL_PASS
    assert judgement.probability == pytest.approx(0.8413447, abs=1e-6)  # Φ(1), any table
    assert judge(Measured(value=98, random=2), 100, "upper", rule="non-binary").guard == 4


def test_probability_of_an_unbalance_comes_from_its_distribution():
    """A noisy balanced set is above its own median unbalance half the time, not by Φ around 0."""
    readings = [Measured(value=100.0, random=1.0)] * 3
    result = unbalance(readings, "mean")
    inside = judge(result, result.coverage.quantiles[100], "upper").probability
    assert inside == pytest.approx(0.5, abs=0.005)
    assert judge(result, -1.0, "upper").probability == 0
    assert judge(result, 50.0, "upper").probability == 1
    assert judge(result, 50.0, "lower").probability == 0


def test_a_limit_keeps_to_its_definition_and_unit():
    limit = load_limits()["resistance-unbalance-random"]
    with pytest.raises(MixedConditionsError, match="unbalance-mean"):
        judge(unbalance([1, 2], "span-mean"), limit)
    with pytest.raises(MixedConditionsError, match="Ohm"):
        judge(Result(value=1, unit="Ohm", formula="unbalance-mean"), limit)


def test_wrong_use_is_named():
    with pytest.raises(UnknownChoiceError, match="simple, guarded, non-binary"):
        judge(1, 2, "upper", 1, "strict")
    with pytest.raises(UnknownChoiceError, match="upper, lower"):
        judge(1, 2, "above")
    with pytest.raises(MissingReadingError, match="side"):
        judge(1, 2)
    with pytest.raises(OutsideRangeError, match="negative"):
        judge(1, 2, "upper", -1)


def test_an_unconfirmed_limit_binds_nobody():
    limit = Limit(id="x", value=1, unit="", side="upper", source="s", confidence="c")
    assert not limit.binding
