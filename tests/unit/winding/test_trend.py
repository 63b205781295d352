"""Trends against published figures and reference libraries."""

import math

import numpy as np
import pytest
from scipy import optimize, stats

from capture.winding import (
    ImpossibleSetError,
    MissingReadingError,
    NotPositiveError,
    Point,
    UnknownChoiceError,
    student_factor,
    trend,
)

YEAR = 365.25


def points(days, values, standard=None):
    spread = standard if isinstance(standard, list) else [standard] * len(days)
    return [
        Point(day=day, value=value, standard=each)
        for day, value, each in zip(days, values, spread, strict=True)
    ]


# ── Student's factor ─────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 5, 6, 7, 10, 11, 30, 101, 1000])
@pytest.mark.parametrize("probability", [0.5, 0.6827, 0.95, 0.99, 0.999])
def test_the_factor_is_that_of_scipy(freedom, probability):
    expected = stats.t.ppf((1 + probability) / 2, freedom)
    assert student_factor(freedom, probability) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("freedom", "printed"),
    # JCGM 100:2008, table G.2, column 95 % (from memory).
    [(1, 12.71), (2, 4.30), (3, 3.18), (4, 2.78), (5, 2.57), (10, 2.23), (20, 2.09), (50, 2.01)],
)
def test_the_factor_is_that_of_the_guide(freedom, printed):
    assert student_factor(freedom) == pytest.approx(printed, abs=0.005)


# ── control limits ───────────────────────────────────────────────────────────────────────────


def test_control_limits_are_those_of_the_handbook():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, flow rate of ten batches: mean
    # 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159 (from memory; the first two
    # follow from the data).
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    found = trend(points(range(11), [*flow, 50.0]))
    assert found.center == pytest.approx(50.81)
    assert found.upper_control == pytest.approx(55.8041, abs=5e-4)
    assert found.lower_control == pytest.approx(45.8159, abs=5e-4)


def test_the_newest_value_does_not_widen_the_limits_that_judge_it():
    quiet = [10.0, 10.1, 9.9, 10.0, 10.1]
    usual = trend(points(range(6), [*quiet, 10.0]))
    wild = trend(points(range(6), [*quiet, 14.0]))
    assert usual.upper_control == wild.upper_control < 14.0


def test_few_or_equal_earlier_values_give_no_limits():
    assert trend(points(range(5), [1, 2, 1, 2, 1])).upper_control is None
    same = trend(points(range(6), [1.0] * 6))
    assert same.upper_control is None
    assert "no control limits: the earlier values are all the same" in same.notes


def test_limits_of_a_logarithmic_trend_lie_by_factors():
    values = [1e9, 2e9, 1e9, 2e9, 1e9, 1e9]
    found = trend(points(range(6), values), scale="logarithmic")
    assert found.upper_control / found.center == pytest.approx(found.center / found.lower_control)
    assert math.log(found.upper_control / found.center) == pytest.approx(3 / 1.128 * math.log(2))


# ── the line ─────────────────────────────────────────────────────────────────────────────────


def test_an_unweighted_slope_is_that_of_scipy():
    rng = np.random.default_rng(20261125)
    days = np.sort(rng.uniform(0, 3000, 9))
    values = 0.82 + 2e-6 * days + rng.normal(0, 1e-3, 9)
    found = trend(points(days.tolist(), values.tolist()))
    line = stats.linregress(days / YEAR, values)
    assert found.slope.per_year == pytest.approx(line.slope)
    assert found.slope.expanded == pytest.approx(line.stderr * stats.t.ppf(0.975, 7))
    assert found.slope.intercept == pytest.approx(line.intercept + line.slope * days[-1] / YEAR)


@pytest.mark.parametrize("scatter", [0.3, 3.0])
def test_a_weighted_slope_is_that_of_scipy(scatter):
    # Twice as much scatter as the uncertainties allow widens the slope's own; less does not.
    rng = np.random.default_rng(7)
    days = np.array([0.0, 300, 700, 1100, 1500, 2100])
    u = np.array([1e-3, 2e-3, 1e-3, 5e-4, 1e-3, 3e-3])
    values = 0.82 + 3e-6 * days + scatter * rng.normal(0, u)
    found = trend(points(days.tolist(), values.tolist(), u.tolist()))

    def line(x, a, b):
        return a + b * x

    fit, absolute = optimize.curve_fit(line, days / YEAR, values, sigma=u, absolute_sigma=True)
    _, scaled = optimize.curve_fit(line, days / YEAR, values, sigma=u)
    assert found.slope.per_year == pytest.approx(fit[1], rel=1e-5)
    if scaled[1, 1] > absolute[1, 1]:
        expected = stats.t.ppf(0.975, 4) * scaled[1, 1] ** 0.5
    else:
        expected = 2 * absolute[1, 1] ** 0.5
    assert found.slope.expanded == pytest.approx(expected, rel=1e-5)
    assert (scaled[1, 1] > absolute[1, 1]) == (scatter == 3.0)


def test_a_logarithmic_slope_is_a_straight_line_in_the_logarithm():
    days = [0, 400, 800, 1300, 1600]
    values = [2e9 * 0.5 ** (day / 800) for day in days]
    found = trend(points(days, values), scale="logarithmic")
    now = values[-1]
    assert found.slope.intercept == pytest.approx(now)
    assert found.slope.per_year == pytest.approx(now * (0.5 ** (YEAR / 800) - 1))
    assert found.slope.percent == pytest.approx(100 * (0.5 ** (YEAR / 800) - 1))
    assert found.direction == "falling"
    logs = np.polyfit(days, np.log(values), 1)
    assert found.slope.percent == pytest.approx(100 * (math.exp(logs[0] * YEAR) - 1))


def test_two_values_with_uncertainties_have_a_slope_and_without_have_none():
    two = trend(points([0, YEAR], [1.0, 1.1], 0.01))
    assert two.slope.per_year == pytest.approx(0.1)
    assert two.slope.expanded == pytest.approx(2 * 0.01 * 2**0.5)
    assert two.direction == "rising"
    assert trend(points([0, YEAR], [1.0, 1.1])).slope is None


def test_a_slope_below_its_uncertainty_is_no_trend():
    found = trend(points([0, 400, 800, 1200], [1.0, 1.3, 0.9, 1.1]), limit=2.0, side="upper")
    assert abs(found.slope.per_year) < found.slope.expanded
    assert (found.direction, found.crossing) == ("none", None)


def test_tests_within_a_month_have_no_slope():
    found = trend(points([0, 3, 9], [1.0, 1.1, 1.2]), limit=2.0, side="upper")
    assert (found.slope, found.direction) == (None, "unknown")
    assert "within 9 days" in found.notes[0]


def test_tests_of_one_day_are_no_division_by_zero():
    assert trend(points([5, 5, 5], [1.0, 1.1, 1.2])).slope is None


# ── when a limit is met ──────────────────────────────────────────────────────────────────────


def test_the_date_of_a_limit():
    days = [0, 365, 730, 1095]
    found = trend(points(days, [1.0, 1.2, 1.4, 1.6], 0.002), limit=2.0, side="upper")
    assert found.crossing.day == pytest.approx(1825)
    assert 1095 < found.crossing.earliest < found.crossing.day


def test_the_date_of_a_limit_of_insulation():
    # Halved every 730 days from 400 MΩ: at 1460 days 100 MΩ, and 50 MΩ at 2190.
    days = [0, 365, 730, 1095, 1460]
    values = [400e6 * 0.5 ** (day / 730) for day in days]
    found = trend(points(days, values), scale="logarithmic", limit=50e6, side="lower")
    assert found.crossing.day == pytest.approx(2190)


@pytest.mark.parametrize(
    ("limit", "side", "note"),
    [
        (3.0, "upper", "no date: the line does not meet the limit within 3.0 years"),
        (1.5, "upper", "no date: the line is past the limit already"),
        (0.5, "lower", ""),  # it moves away from it
    ],
)
def test_no_date_where_there_is_none(limit, side, note):
    days = [0, 365, 730, 1095]
    found = trend(points(days, [1.0, 1.2, 1.4, 1.6], 0.002), limit=limit, side=side)
    assert found.crossing is None
    assert note in "".join(found.notes)
    assert bool(found.notes) == bool(note)


def test_changes_in_per_cent():
    found = trend(points([0, 10, 20], [2.0, 4.0, 3.0]))
    assert (found.baseline, found.change_last, found.change_baseline) == (2.0, -25.0, 50.0)
    assert trend(points([0, 10], [0.0, 4.0])).change_baseline is None
    assert trend(points([0], [4.0])).change_last is None


# ── what cannot be ───────────────────────────────────────────────────────────────────────────


def test_what_cannot_be_is_refused():
    with pytest.raises(MissingReadingError):
        trend([])
    with pytest.raises(ImpossibleSetError, match="oldest first"):
        trend(points([1, 0], [1, 1]))
    with pytest.raises(NotPositiveError):
        trend(points([0, 1], [1, 0]), scale="logarithmic")
    with pytest.raises(UnknownChoiceError):
        trend(points([0, 1], [1, 1]), scale="square")
