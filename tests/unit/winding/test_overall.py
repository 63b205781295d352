"""One verdict over a job."""

import pytest

from capture.winding import Verdict, judge, load_limits, overall, unbalance

GOOD = judge(1.0, 2.0, "upper")
BAD = judge(3.0, 2.0, "upper")
NEAR = judge(1.9, 2.0, "upper", 0.4, "non-binary")
UNSURE = judge(1.9, 2.0, "upper", None, "guarded")


@pytest.mark.parametrize(
    ("steps", "verdict"),
    [
        ({"a": GOOD, "b": GOOD}, Verdict.PASS),
        ({"a": GOOD, "b": NEAR}, Verdict.CONDITIONAL_PASS),
        ({"a": GOOD, "b": UNSURE}, Verdict.INCONCLUSIVE),
        ({"a": GOOD, "b": BAD}, Verdict.FAIL),
        ({"a": None, "b": BAD}, Verdict.FAIL),
        ({"a": GOOD, "b": None}, Verdict.INCONCLUSIVE),
        ({}, Verdict.INCONCLUSIVE),
    ],
)
def test_the_worst_step_decides(steps, verdict):
    assert overall(steps).verdict is verdict


def test_no_pass_while_a_step_is_missing():
    whole = overall({"resistance": GOOD, "insulation": None})
    assert whole.not_run == ("insulation",)
    assert "not run: insulation" in whole.reason


def test_a_step_that_came_to_no_result_was_run_and_is_no_pass_either():
    steps = {"resistance": GOOD, "inductance": None, "pulse": None}
    whole = overall(steps, without_result=("inductance",))
    assert whole.verdict is Verdict.INCONCLUSIVE
    assert (whole.not_run, whole.without_result) == (("pulse",), ("inductance",))
    assert whole.reason == "not run: pulse; without a result: inductance"


def test_information_alone_is_no_pass():
    limit = load_limits()["resistance-unbalance-random"]
    step = judge(unbalance([1.0, 1.0, 1.0], "mean"), limit)
    assert overall({"a": step}).verdict is Verdict.INFORMATION_ONLY
    assert overall({"a": step, "b": GOOD}).verdict is Verdict.PASS
