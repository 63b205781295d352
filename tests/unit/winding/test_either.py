"""One of several limits holds, and nobody knows which: the milder one is never taken for granted."""

from dataclasses import replace

import pytest

from capture.winding import (
    Limit,
    MissingReadingError,
    MixedConditionsError,
    Result,
    Verdict,
    judge_either,
    load_limits,
)

# Values of the two rows: IEEE Std 43-2013, 12.3, from public texts; what follows is arithmetic.
ADOPTED = load_limits(
    site={"insulation-form": {"adopted": True}, "insulation-random": {"adopted": True}}
)
SHIPPED = load_limits()


def both(limits, *, turned=False):
    found = {
        "random-wound": limits["insulation-random"],
        "form-wound": limits["insulation-form"],
    }
    return dict(reversed(found.items())) if turned else found


def ohms(value, **members):
    return Result(value=value, unit="Ohm", formula="insulation-at-40", **members)


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize(
    ("megohms", "verdict", "limit"),
    [
        (500, Verdict.PASS, 100),
        (100, Verdict.PASS, 100),
        (99.9, Verdict.INCONCLUSIVE, 100),
        (5, Verdict.INCONCLUSIVE, 100),
        (4.9, Verdict.FAIL, 5),
    ],
)
def test_a_pass_needs_the_strictest_and_a_fail_the_mildest(megohms, verdict, limit, turned):
    found = judge_either(ohms(megohms * 1e6), both(ADOPTED, turned=turned))
    assert (found.verdict, found.limit) == (verdict, limit * 1e6)


def test_what_stays_undecided_says_what_it_would_be_in_each_case():
    found = judge_either(ohms(50e6), both(ADOPTED))
    assert found.reason == "pass if random-wound, fail if form-wound: say which it is"
    assert judge_either(ohms(500e6), both(ADOPTED)).reason == ""


@pytest.mark.parametrize(
    ("percent", "verdict", "limit"),
    [
        (1.0, Verdict.PASS, 1.0),
        (1.5, Verdict.INCONCLUSIVE, 1.0),
        (2.1, Verdict.FAIL, 2.0),
    ],
)
def test_of_upper_limits_the_lowest_is_the_strictest(percent, verdict, limit):
    """ANSI/EASA AR100-2020, second-hand: 1 % form-wound, 2 % random-wound."""
    names = {
        "random-wound": "resistance-unbalance-random",
        "form-wound": "resistance-unbalance-form",
    }
    limits = load_limits(site={name: {"adopted": True} for name in names.values()})
    value = Result(value=percent, unit="%", formula="unbalance-mean")
    found = judge_either(value, {kind: limits[name] for kind, name in names.items()})
    assert (found.verdict, found.limit) == (verdict, limit)


@pytest.mark.parametrize("megohms", [3, 50, 500])
def test_limits_that_nobody_adopted_give_information_by_the_strictest(megohms):
    found = judge_either(ohms(megohms * 1e6), both(SHIPPED))
    assert (found.verdict, found.limit) == (Verdict.INFORMATION_ONLY, 100e6)


def test_a_limit_that_nobody_adopted_keeps_the_other_from_deciding():
    limits = load_limits(site={"insulation-random": {"adopted": True}})
    found = judge_either(ohms(50e6), both(limits))
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.reason == "pass if random-wound, information only if form-wound: say which it is"
    assert found.limit == 100e6


@pytest.mark.parametrize(
    ("megohms", "verdict", "limit"),
    # U = 4 MΩ: conditional pass from the limit to 4 MΩ above it, conditional fail below it.
    [
        (102, Verdict.CONDITIONAL_PASS, 100),
        (98, Verdict.INCONCLUSIVE, 100),
        (7, Verdict.INCONCLUSIVE, 100),
        (4, Verdict.CONDITIONAL_FAIL, 5),
        (0.5, Verdict.FAIL, 5),
    ],
)
def test_conditional_statements_keep_their_side(megohms, verdict, limit):
    value = ohms(megohms * 1e6, uncertainty=4e6, coverage_factor=2.0)
    found = judge_either(value, both(ADOPTED), "non-binary")
    assert (found.verdict, found.limit) == (verdict, limit * 1e6)


def test_a_bound_that_serves_one_limit_alone_decides_nothing():
    above = ohms(20e6, bound="above")
    assert judge_either(above, both(ADOPTED)).verdict is Verdict.INCONCLUSIVE
    assert judge_either(ohms(200e6, bound="above"), both(ADOPTED)).verdict is Verdict.PASS
    assert judge_either(ohms(3e6, bound="below"), both(ADOPTED)).verdict is Verdict.FAIL


def test_what_a_person_may_do_about_it_is_the_callers_to_say():
    found = judge_either(ohms(50e6), both(ADOPTED), ask="nobody can say")
    assert found.reason == "pass if random-wound, fail if form-wound: nobody can say"


def test_one_limit_alone_is_judged_as_ever():
    limits = {"random-wound": ADOPTED["insulation-random"]}
    found = judge_either(ohms(50e6), limits)
    assert (found.verdict, found.limit, found.reason) == (Verdict.PASS, 5e6, "")


def test_what_cannot_be_compared_is_refused():
    with pytest.raises(MissingReadingError, match="there is none to judge by"):
        judge_either(ohms(5e6), {})
    upper: Limit = replace(ADOPTED["insulation-form"], side="upper")
    with pytest.raises(MixedConditionsError, match="an upper limit and a lower one"):
        judge_either(ohms(5e6), {"a": ADOPTED["insulation-random"], "b": upper})
