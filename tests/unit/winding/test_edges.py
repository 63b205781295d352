"""Where one rule ends and the next begins: values on the edges, and what results say of themselves.

"computed": from the formula, by hand outside this program. One file, a section a computation, in
the order of its rules.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from capture.winding import (
    Bounded,
    InductanceReading,
    Limit,
    Measured,
    MissingReadingError,
    NotPositiveError,
    OutsideRangeError,
    Point,
    PulseReadings,
    Result,
    UnknownChoiceError,
    Verdict,
    absorption_ratio,
    conformity,
    correct_resistance,
    discharge_seconds,
    inductance_balance,
    insulation_at_40,
    insulation_curve,
    insulation_factor,
    insulation_indices,
    judge,
    load_limits,
    minimum_insulation,
    polarization_index,
    pulse_comparison,
    resistance_at,
    reversed_current_resistance,
    rotor_influence,
    settling_seconds,
    shutdown_delay,
    shutdown_resistance,
    student_factor,
    temperature_from_resistance,
    temperature_rise,
    test_voltage,
    trend,
)
from capture.winding.impedance import angle_of

# ── insulation ───────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("kind", ["thermoplastic", "thermosetting"])
def test_only_temperatures_of_windings_are_taken(kind):
    """Common practice, no source: no winding is below −100 °C or above 300 °C."""
    assert 0 < insulation_factor(-100, kind) < 1 < insulation_factor(300, kind)
    for celsius in (-100.1, -273, -273.1, 300.1):
        with pytest.raises(OutsideRangeError, match="no temperature of a winding"):
            insulation_factor(celsius, kind)


@pytest.mark.parametrize(
    ("celsius", "extrapolated"), [(9.9, True), (10, False), (85, False), (85.1, True)]
)
def test_the_range_of_the_formula_includes_its_ends(celsius, extrapolated):
    notes = insulation_at_40(1e9, celsius, "thermoplastic").notes
    assert bool(notes) is extrapolated


def test_a_corrected_insulation_resistance_says_how():
    """4230·(1/313 − 1/343) = 1.18201…, e to that is 3.2609 at 70 °C (computed)."""
    result = insulation_at_40(Measured(value=1e9, random=5e7, id="r1"), 70, "thermosetting")
    assert result.constants == {"celsius": 70, "factor": pytest.approx(3.2609, abs=1e-4)}
    assert result.inputs == ("r1",)
    assert result.uncertainty == pytest.approx(2 * 5e7 * 3.2609, rel=1e-4)
    assert "memory" in result.notes[0]


@pytest.mark.parametrize(
    ("volts", "winding", "year", "megohms", "rule"),
    [
        # public texts quoting IEEE Std 43-2013, 12.3: "before about 1970", form-wound from 1 kV
        (4160, "form", 1969, 5.16, "kV + 1"),
        (4160, "form", 1970, 100, "form-wound"),
        (1000, "form", 1990, 100, "form-wound"),
        (999, "form", 1990, 5, "random-wound or < 1 kV"),
        (4160, "random", 1990, 5, "random-wound or < 1 kV"),
        (500, "dc-armature", 1990, 5, "DC armature"),
        (13_800, "field", 1970, 14.8, "kV + 1"),
    ],
)
def test_which_minimum_holds(volts, winding, year, megohms, rule):
    result = minimum_insulation(volts, winding, year)
    assert result.value == pytest.approx(megohms * 1e6)
    assert result.notes == (f"rule: {rule}",)
    assert (result.unit, result.formula) == ("Ohm", "minimum-insulation")
    assert result.constants == {"rated_volts": volts, "year": year}


@pytest.mark.parametrize(
    ("volts", "range_"),
    # public texts quoting IEEE Std 43, table 1: below 1000 V 500 V only
    [(999.9, (500, 500)), (1000, (500, 1000)), (5001, (2500, 5000)), (1e6, (5000, 10_000))],
)
def test_the_steps_of_the_test_voltage(volts, range_):
    assert tuple(test_voltage(volts)) == range_


def test_discharge_takes_four_times_the_time_at_least():
    """IEEE Std 43 (from memory, sure)."""
    result = discharge_seconds(60, factor=4)
    assert (result.value, result.unit, result.formula) == (240, "s", "discharge-time")
    assert result.constants == {"factor": 4, "applied_seconds": 60}
    with pytest.raises(OutsideRangeError, match="less than four"):
        discharge_seconds(60, factor=3.99)


# ── resistance and temperature ───────────────────────────────────────────────────────────────


@pytest.mark.parametrize("k", [200, 260])
@pytest.mark.parametrize("celsius", [-50, 250])
def test_the_straight_line_of_resistance_reaches_its_ends(celsius, k):
    """R·(k + 20)/(k + T) (computed); k of copper and aluminium alloys lies within 200 … 260."""
    expected = (k + 20) / (k + celsius)
    assert correct_resistance(1.0, celsius, 20, k).value == pytest.approx(expected)
    assert correct_resistance(1.0, 20, celsius, k).value == pytest.approx(1 / expected)


@pytest.mark.parametrize("k", [199.9, 260.1])
def test_a_zero_resistance_temperature_of_no_winding_metal_is_refused(k):
    for formula, arguments in (
        (correct_resistance, (1.0, 20, 25)),
        (temperature_from_resistance, (1.0, 1.2, 20)),
        (temperature_rise, (1.0, 1.2, 20, 25)),
    ):
        with pytest.raises(OutsideRangeError, match="zero_resistance_celsius"):
            formula(*arguments, k)


def test_temperatures_of_a_rise_are_checked_each():
    for cold, coolant, culprit in ((251, 20, "cold"), (20, -51, "coolant"), (-51, 20, "cold")):
        with pytest.raises(OutsideRangeError, match=f"{culprit} temperature"):
            temperature_rise(1.0, 1.2, cold, coolant, 235)
    with pytest.raises(OutsideRangeError, match="cold temperature"):
        temperature_from_resistance(1.0, 1.2, 251, 235)
    for formula, rest in ((temperature_rise, (20, 20)), (temperature_from_resistance, (20,))):
        with pytest.raises(NotPositiveError, match="cold resistance"):
            formula(0.0, 1.2, *rest, 235)
        with pytest.raises(NotPositiveError, match="hot resistance"):
            formula(1.0, 0.0, *rest, 235)


def test_a_temperature_rise_goes_by_the_ratio_of_the_resistances():
    """A third more on 0.75 Ω is a third more: 255/3 + 20 − 25 = 80 K (computed)."""
    assert temperature_rise(0.75, 1.0, 20, 25, 235).value == pytest.approx(80)
    assert temperature_from_resistance(0.75, 1.0, 20, 235).value == pytest.approx(105)


def test_a_temperature_rise_is_that_of_the_winding_over_the_coolant():
    """(1.3 − 1)/1·(235 + 20) + 20 − 25 = 71.5 K; the winding itself is at 96.5 °C (computed)."""
    cold, hot = Measured(value=1.0, id="c"), Measured(value=1.3, id="h")
    rise = temperature_rise(cold, hot, 20, 25, 235)
    assert (rise.value, rise.unit) == (pytest.approx(71.5), "K")
    assert rise.formula == "temperature-rise"
    assert rise.inputs == ("c", "h")
    assert rise.constants == {
        "zero_resistance_celsius": 235,
        "cold_celsius": 20,
        "coolant_celsius": 25,
    }
    there = temperature_from_resistance(cold, hot, 20, 235)
    assert (there.value, there.unit) == (pytest.approx(96.5), "Cel")
    assert there.formula == "temperature-by-resistance"
    assert there.inputs == ("c", "h")
    assert there.constants == {"zero_resistance_celsius": 235, "cold_celsius": 20}


def test_a_corrected_resistance_says_how():
    result = correct_resistance(Measured(value=1.0, id="r"), 25, 75, 234.5)
    assert (result.unit, result.formula) == ("Ohm", "resistance-at-temperature")
    assert result.inputs == ("r",)
    assert result.constants == {
        "zero_resistance_celsius": 234.5,
        "at_celsius": 25,
        "to_celsius": 75,
    }


def test_a_permitted_delay_says_what_it_is():
    """IEC 60034-1, 8.6.2.3 (from memory, medium): up to 50 kW 30 s, up to 200 kW 90 s."""
    for kilowatts, seconds in ((49.9, 30), (50, 30), (200, 90), (200.1, 120), (5000, 120)):
        result = shutdown_delay(kilowatts)
        assert (result.value, result.unit, result.formula) == (seconds, "s", "shutdown-delay")


def test_a_cooling_curve_with_readings_to_spare_has_an_uncertainty():
    """Three readings off a line by +s, −2s, +s: by the normal equations (computed)."""
    off = 1e-3
    logs = [math.log(2.0) + off, math.log(2.0) - 2 * off, math.log(2.0) + off]
    result = shutdown_resistance([0, 10, 20], [math.exp(y) for y in logs], 0)
    # The line through them is level at ln 2; one degree of freedom, variance 6 s²; the line's
    # own at t = 0 is 6 s²·(1/3 + 10²/200) = 5 s².
    assert result.value == pytest.approx(2.0, rel=1e-9)
    assert result.uncertainty == pytest.approx(2 * 2.0 * off * math.sqrt(5), rel=1e-6)
    assert result.notes == ()
    assert (result.unit, result.formula) == ("Ohm", "shutdown-resistance")
    assert result.constants == {"at_seconds": 0, "degree": 1}


def test_the_scatter_of_a_cooling_curve_is_shared_by_its_freedom():
    """Four readings off a level line by +s, −s, −s, +s: variance 4 s²/2, at the middle a quarter."""
    off = 1e-3
    ohms = [2.0 * math.exp(sign * off) for sign in (1, -1, -1, 1)]
    result = shutdown_resistance([0, 10, 20, 30], ohms, 15)
    assert result.uncertainty == pytest.approx(2 * 2.0 * off * math.sqrt(2 / 4), rel=1e-6)


def test_two_readings_of_a_cooling_curve_leave_its_scatter_unknown():
    result = shutdown_resistance([0, 60], [1.3, 1.2], 30)
    assert (result.uncertainty, result.coverage_factor) == (None, None)
    assert "no reading to spare" in result.notes[0]


def test_a_cooling_curve_is_read_at_its_ends_too():
    times, ohms = [0.0, 60.0], [1.3, 1.2]
    assert shutdown_resistance(times, ohms, 0).value == pytest.approx(1.3)
    assert shutdown_resistance(times, ohms, 60).value == pytest.approx(1.2)
    for delay in (-0.1, 60.1):
        with pytest.raises(OutsideRangeError, match="must lie between"):
            shutdown_resistance(times, ohms, delay)
    with pytest.raises(MissingReadingError, match=r"reading 3.*takes 3 or more"):
        shutdown_resistance(times, ohms, 30, degree=2)


def test_reversed_current_says_what_it_is():
    """R = (V₊ − V₋)/(2I) and EMF = (V₊ + V₋)/2 (computed)."""
    plus, minus = Measured(value=2.05e-3, id="p"), Measured(value=-1.95e-3, id="m")
    both = reversed_current_resistance(plus, minus, Measured(value=0.01, id="i"))
    assert (both.resistance.unit, both.emf.unit) == ("Ohm", "V")
    assert both.resistance.formula == "reversed-current-resistance"
    assert both.emf.formula == "thermal-emf"
    assert both.resistance.inputs == ("p", "m", "i")
    assert both.emf.inputs == ("p", "m")
    with pytest.raises(NotPositiveError, match="sign"):
        reversed_current_resistance(1e-3, 1e-3, 0.01)


def test_settling_says_what_it_is():
    result = settling_seconds(2.0, 4.0, 0.5)  # 0.5 s·ln 2 (computed)
    assert result.value == pytest.approx(0.5 * math.log(2))
    assert (result.unit, result.formula) == ("s", "settling-time")
    assert result.constants == {"time_constant_seconds": 0.5, "share": 0.5}
    with pytest.raises(OutsideRangeError, match="share"):
        settling_seconds(1, 1, 0)
    for henries, ohms, culprit in ((0, 1, "inductance"), (1, 0, "resistance")):
        with pytest.raises(NotPositiveError, match=culprit):
            settling_seconds(henries, ohms, 0.5)


# ── verdicts ─────────────────────────────────────────────────────────────────────────────────


def test_a_judgement_says_what_it_was_judged_by():
    """Limit 100, U 4, half of it as guard: accepted to 98 above, from 102 below (computed)."""
    upper = judge(90, 100, "upper", 4, "guarded", guard_factor=0.5)
    lower = judge(110, 100, "lower", 4, "guarded", guard_factor=0.5)
    assert (upper.acceptance_limit, lower.acceptance_limit) == (98, 102)
    for side, one in (("upper", upper), ("lower", lower)):
        assert (one.limit, one.side, one.rule, one.guard) == (100, side, "guarded", 2)
        assert (one.source, one.confidence) == ("given by the caller", "as given")
        assert one.reason == ""


def test_no_rule_guards_without_being_told():
    simple = judge(99, 100, "upper", 4)
    assert (simple.guard, simple.acceptance_limit, simple.rule) == (0, 100, "simple")
    assert judge(99, 100, "upper", 4, "guarded").guard == 4


def test_a_guard_of_nothing_is_the_simple_rule():
    """ILAC-G8:09/2019: with w = 0 the guarded rule is simple acceptance."""
    for value, verdict in ((100, Verdict.PASS), (100.1, Verdict.FAIL)):
        assert judge(value, 100, "upper", 0, "guarded").verdict is verdict
        assert judge(value, 100, "upper", 4, "guarded", guard_factor=0).verdict is verdict
    with pytest.raises(OutsideRangeError, match="guard factor"):
        judge(1, 2, "upper", 1, "guarded", guard_factor=-0.1)


def test_a_hair_beyond_the_limit_is_beyond_it():
    """Nine digits off is a real difference, the twelfth digit is the float's own."""
    assert judge(2 * (1 + 1e-9), 2.0, "upper").verdict is Verdict.FAIL
    assert judge(2 * (1 + 1e-13), 2.0, "upper").verdict is Verdict.PASS


def test_a_given_uncertainty_goes_before_the_value_s_own():
    own = Measured(value=98, random=2)  # U = 4
    result = Result(value=98, unit="Ohm", formula="x", uncertainty=4, coverage_factor=2)
    for value in (own, result):
        assert judge(value, 100, "upper", rule="guarded").guard == 4
        assert judge(value, 100, "upper", 1, "guarded").guard == 1
    # k = 3 given: U = 3·2, and Φ(2/2) again (any table of the normal distribution)
    third = judge(own, 100, "upper", rule="guarded", coverage_factor=3)
    assert (third.guard, third.probability) == (6, pytest.approx(0.8413447, abs=1e-6))
    bare = judge(98, 100, "upper", 6, coverage_factor=3)
    assert bare.probability == pytest.approx(0.8413447, abs=1e-6)
    two = judge(98, 100, "upper", 4)  # k = 2 where nothing else is said
    assert two.probability == pytest.approx(0.8413447, abs=1e-6)
    six = Result(value=98, unit="Ohm", formula="x", uncertainty=6, coverage_factor=3)
    assert judge(six, 100, "upper").probability == pytest.approx(0.8413447, abs=1e-6)


def test_a_value_without_uncertainty_on_its_limit_conforms():
    assert conformity(2, 2, "upper", 0) == 1
    assert conformity(2, 2, "lower", 0) == 1


@pytest.mark.parametrize(
    ("rule", "value", "bound", "side", "verdict"),
    [
        # Every value that a bound allows gets the statement, or none is made: logic.
        ("non-binary", 97, "below", "upper", Verdict.CONDITIONAL_PASS),
        ("non-binary", 103, "above", "upper", Verdict.CONDITIONAL_FAIL),
        ("non-binary", 97, "above", "upper", Verdict.INCONCLUSIVE),
        ("non-binary", 103, "below", "upper", Verdict.INCONCLUSIVE),
    ],
)
def test_bounds_within_the_guard_band(rule, value, bound, side, verdict):
    judgement = judge(Bounded(bound=value, side=bound), 100, side, 4, rule)
    assert judgement.verdict is verdict
    assert judgement.reason == f"known only to be {bound} {value}"


def test_a_result_that_is_a_bound_is_judged_as_one():
    result = Result(value=1.5, unit="1", formula="x", bound="above")
    limit = Limit(
        id="x", value=1.0, unit="1", side="upper", source="s", confidence="c", adopted=True
    )
    assert judge(result, limit).verdict is Verdict.FAIL
    assert judge(result, limit).probability is None


# ── Student's factor and trends ──────────────────────────────────────────────────────────────


def test_student_takes_what_its_search_covers_and_no_more():
    """t for one degree of freedom is tan(π·p/2): 1 at 0.5, 636.619 at 0.999 (any table)."""
    assert student_factor(1, 0.5) == pytest.approx(1)
    assert student_factor(1, 0.999) == pytest.approx(636.619, abs=1e-3)
    for freedom, probability in ((0, 0.95), (-1, 0.95), (3, 0.499), (3, 0.9991)):
        with pytest.raises(OutsideRangeError):
            student_factor(freedom, probability)


def series(days, values, standard=None):
    return [Point(day=d, value=v, standard=standard) for d, v in zip(days, values, strict=True)]


def test_thirty_days_and_three_values_have_a_slope():
    """Common practice, no source: what `trend` promises."""
    assert trend(series([0, 15, 30], [1.0, 1.1, 1.2])).slope is not None
    assert trend(series([0, 15, 29.9], [1.0, 1.1, 1.2])).slope is None
    assert trend(series([0, 30], [1.0, 1.1])).slope is None
    assert trend(series([0, 30], [1.0, 1.1], 0.01)).slope is not None


def test_a_line_that_just_meets_the_limit_in_time_has_a_date():
    """0.2 in 1000 days: 1.4 is 1000 days after the newest, as far as the tests reach (computed)."""
    points = series([0, 500, 1000], [1.0, 1.1, 1.2], 1e-3)
    found = trend(points, limit=1.39, side="upper").crossing
    assert found.day == pytest.approx(1950)
    # steepest: slope + 2u, u = u(y)/√Σ(t − t̄)², taken from the middle of the values
    steepest = 2e-4 + 2 * 1e-3 / math.sqrt(500_000)
    assert found.earliest == pytest.approx(500 + (1.39 - 1.1) / steepest)
    assert trend(points, limit=1.41, side="upper").crossing is None
    falling = trend(series([0, 500, 1000], [1.4, 1.3, 1.2], 1e-3), limit=1.01, side="lower")
    assert falling.direction == "falling"
    assert falling.crossing.day == pytest.approx(1950)
    assert falling.crossing.earliest == pytest.approx(500 + (1.3 - 1.01) / steepest)


def test_a_date_is_never_before_the_newest_value():
    """Where the line misses the limit by a hair the steepest slope is past it already."""
    found = trend(series([0, 500, 1000], [1.0, 1.1, 1.2], 0.02), limit=1.201, side="upper")
    assert found.crossing.earliest == 1000


def test_uncertainty_of_a_corrected_resistance_is_that_of_its_temperatures():
    """c = R/(k + T): 1 °C at 25 °C and k 234.5 is 1/259.5 of R (JCGM 100:2008, 5.1; computed)."""
    result = correct_resistance(1.0, ufloat(25, 1), 25, 234.5)
    assert result.uncertainty == pytest.approx(2 / 259.5)


def test_a_trend_of_equal_values_is_none():
    found = trend(series([0, 500, 1000], [1.0, 1.0, 1.0]), limit=2.0, side="upper")
    assert (found.slope.per_year, found.slope.expanded, found.slope.percent) == (0, 0, 0)
    assert (found.direction, found.crossing) == ("none", None)


def test_only_values_above_zero_have_a_logarithm_and_the_lowest_is_named():
    assert trend(series([0, 500, 1000], [0.5, 0.25, 0.125]), scale="logarithmic").baseline == 0.5
    with pytest.raises(NotPositiveError, match="value is -3"):
        trend(series([0, 1, 2], [1.0, -3.0, 0.0]), scale="logarithmic")


def test_a_site_may_say_how_sure_it_is():
    limit = load_limits(site={"pulse-deviation": {"confidence": "confirmed here"}})
    assert limit["pulse-deviation"].confidence == "confirmed here"


def test_a_changed_limit_is_not_confirmed_by_what_was_known_of_the_old_one():
    changed = load_limits(machine={"pulse-deviation": {"value": 8.0, "source": "own"}})
    assert not changed["pulse-deviation"].confirmed
    assert not changed["pulse-deviation"].adopted
    assert changed["pulse-deviation"].adopted_by == ""


def test_days_may_be_counted_from_anywhere():
    """Twenty days are no thirty, and the slope is the same, wherever the count of days begins."""
    assert trend(series([1000, 1010, 1020], [1.0, 1.1, 1.2])).slope is None
    here = trend(series([0, 400, 900], [1.0, 1.1, 1.225], 0.01), limit=1.4, side="upper")
    there = trend(series([5000, 5400, 5900], [1.0, 1.1, 1.225], 0.01), limit=1.4, side="upper")
    assert there.slope.per_year == pytest.approx(here.slope.per_year)
    assert there.slope.expanded == pytest.approx(here.slope.expanded)
    assert there.crossing.day == pytest.approx(here.crossing.day + 5000)
    assert trend(series([0, 400], [1.0, 1.1])).notes == (
        "no slope: 2 values, at least 3 are needed",
    )


def test_a_logarithmic_slope_is_weighted_by_relative_uncertainties():
    """2, 2 and 8 with u as large as they are weigh alike in ln: slope of a straight line, 2·u/√Σ(t − t̄)²."""
    values = [2.0, 2.0, 8.0]
    points = [
        Point(day=d, value=v, standard=v) for d, v in zip([0, 500, 1000], values, strict=True)
    ]
    found = trend(points, scale="logarithmic")
    by_year = math.log(4) / 1000 * 365.25
    assert found.slope.intercept == pytest.approx(math.exp(math.log(32) / 3 + math.log(4) / 2))
    assert found.slope.percent == pytest.approx(100 * (math.exp(by_year) - 1))
    steep = 2 / math.sqrt(500_000) * 365.25
    expected = found.slope.intercept * math.exp(by_year) * steep
    assert found.slope.expanded == pytest.approx(expected)


# ── inductances ──────────────────────────────────────────────────────────────────────────────


def test_an_angle_is_the_same_in_both_models():
    """10 mH, 10 Ω, 1 kHz: 80.95694°; as parallel 10.253303 mH and 404.78418 Ω (computed)."""
    series_ = InductanceReading(henries=10e-3, ohms=10.0, hertz=1000)
    parallel = InductanceReading(henries=10.253303e-3, ohms=404.78418, hertz=1000, model="parallel")
    assert angle_of(series_) == pytest.approx(80.95694, rel=1e-6)
    assert angle_of(parallel) == pytest.approx(80.95694, rel=1e-6)
    assert (series_.model, series_.rotor, series_.volts) == ("series", "unknown", None)


def test_a_balance_of_inductances_says_what_it_compares():
    """Resistances 9, 10 and 11 Ω are 10 % off their mean, the inductances equal (computed)."""
    pairs = {
        name: InductanceReading(henries=5e-3, ohms=ohms, hertz=50)
        for name, ohms in (("U-V", 9.0), ("V-W", 10.0), ("W-U", 11.0))
    }
    balance = inductance_balance(pairs, "mean")
    assert balance.inductance.value == 0
    assert balance.resistance.value == pytest.approx(10)
    assert balance.inductance.formula == "inductance-unbalance-mean"
    lossless = {name: replace(each, ohms=None) for name, each in pairs.items()}
    alone = inductance_balance({**pairs, "U-V": lossless["U-V"]}, "mean")
    assert (alone.inductance, alone.notes) == (balance.inductance, balance.notes)
    assert (alone.resistance, alone.degrees) == (None, None)
    with pytest.raises(MissingReadingError, match="the loss is missing"):
        angle_of(lossless["U-V"])
    assert balance.resistance.formula == "ac-resistance-unbalance-mean"
    assert (balance.degrees.unit, balance.degrees.formula) == ("deg", "phase-angle-deviation")
    assert balance.degrees.constants == {"hertz": 50}


@pytest.mark.parametrize(("times", "kind"), [(4.1, "salient"), (3.9, "ripple")])
def test_a_swing_of_four_residuals_is_a_sinusoid(times, kind):
    """Twelve angles; ±d in turn is orthogonal to the fit, so its residual is d·√(12/9) (computed)."""
    angles = np.arange(0, 180, 15)
    d, mean = 1e-5, 5e-3
    residual = d * math.sqrt(12 / 9)
    amplitude = times * residual
    sign = np.where(np.arange(12) % 2, -1.0, 1.0)
    pairs = [
        mean + amplitude * np.cos(np.deg2rad(2 * angles - phase)) + d * sign
        for phase in (30, 150, 270)
    ]
    found = rotor_influence(angles, *pairs, 1, "electrical")
    assert found.kind == kind
    for phase, values, curve in zip((30, 150, 270), pairs, found.pairs.values(), strict=True):
        assert curve.mean == pytest.approx(mean)
        assert curve.amplitude == pytest.approx(amplitude)
        assert curve.phase_degrees == pytest.approx(phase)
        assert curve.residual == pytest.approx(residual)
        assert curve.ripple == pytest.approx(100 * (values.max() - values.min()) / mean)
    assert (found.mean_of_pairs.unit, found.mean_of_pairs.formula) == (
        "H",
        "position-free-inductance",
    )
    assert (found.unbalance.unit, found.unbalance.formula) == ("%", "inductance-unbalance-mean")
    # Ld + Lq is the mean of the pairs, Lq − Ld the amplitude
    expected = (mean - amplitude) / 2, (mean + amplitude) / 2
    if kind == "salient":
        assert (found.direct, found.quadrature) == pytest.approx(expected)
    else:
        assert (found.direct, found.quadrature) == (None, None)


@pytest.mark.parametrize(("wide", "told"), [(59, False), (61, True)])
def test_a_gap_of_sixty_electrical_degrees_is_the_widest(wide, told):
    """A third of the period of 180° (common practice): wider, and the parameters blur together."""
    angles = np.append(np.linspace(0, 180 - wide, 8), 0.0)
    values = [5e-3] * 9
    if told:
        with pytest.raises(OutsideRangeError, match="61 electrical degrees"):
            rotor_influence(angles, values, values, values, 1, "electrical")
    else:
        assert rotor_influence(angles, values, values, values, 1, "electrical").kind == "ripple"


def test_limits_that_no_line_can_tell_or_reach():
    rising = series([0, 500, 1000], [1.0, 1.1, 1.2], 1e-3)
    with pytest.raises(UnknownChoiceError, match="side"):
        trend(rising, limit=1.3)
    below = trend(series([0, 500, 1000], [0.3, 0.2, 0.1], 1e-3), limit=-0.05, side="lower")
    assert below.crossing.day == pytest.approx(1750)  # 2e-4 a day (computed)
    halving = series([0, 500, 1000], [4.0, 2.0, 1.0], 1e-3)
    assert trend(halving, scale="logarithmic", limit=0.0, side="lower").crossing is None
    half = trend(halving, scale="logarithmic", limit=0.5, side="lower").crossing
    assert half.day == pytest.approx(1500)


# ── absorption ───────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("index", "brittle"), [(8.0, False), (8.1, True)])
def test_an_index_above_eight_is_remarked(index, brittle):
    """Common practice: above 8 the insulation may be dry and brittle."""
    assert bool(polarization_index([60, 600], [1e8, index * 1e8]).notes) is brittle


@pytest.mark.parametrize(
    ("times", "there"),
    [([54, 66], True), ([53.9, 66], False), ([54, 66.1], False), ([60.1, 66], False)],
)
def test_a_reading_is_taken_between_neighbours_within_a_tenth(times, there):
    if there:
        assert resistance_at(times, [1e9, 1e9], 60) == pytest.approx(1e9)
    else:
        with pytest.raises(MissingReadingError, match="60 s"):
            resistance_at(times, [1e9, 1e9], 60)


def test_bounded_and_missing_neighbours_are_none():
    with pytest.raises(MissingReadingError, match="60 s"):
        resistance_at([58, 62], [Bounded(bound=1e9), 1e9], 60)
    with pytest.raises(MissingReadingError, match="60 s"):
        resistance_at([58, 62], [1e9, None], 60)
    # The nearest on each side count: a power of time between 58 and 62 s (computed).
    times = [55, 58, 62, 65]
    assert resistance_at(times, [1.0, 58**0.5, 62**0.5, 9e9], 60) == pytest.approx(60**0.5)


def test_early_and_late_are_two_times_after_the_start():
    for early, late in ((60, 60), (0, 60)):
        with pytest.raises(OutsideRangeError, match="come after"):
            absorption_ratio([early, late], [1e9, 1e9], early=early, late=late)


def test_a_ratio_over_a_reading_known_from_above_is_above():
    below = Bounded(bound=1e9, side="below")
    assert polarization_index([60, 600], [below, 2e9]).bound == "above"
    assert absorption_ratio([30, 60], [1e8, 9e8]).notes == ()  # brittle is said of the index only


def test_an_index_that_does_not_apply_says_by_what():
    """Public texts quoting IEEE Std 43-2013, 12.2.2: not above 5 GΩ at 1 min and 40 °C."""
    found = insulation_indices(
        [60, 600], [6e9, 9e9], celsius=40, insulation="thermoplastic", winding="form"
    )
    judged = found.polarization_index.judgement
    assert (judged.limit, judged.acceptance_limit, judged.guard) == (5e9, 5e9, 0)
    assert (judged.side, judged.rule) == ("upper", "simple")
    assert judged.source == "IEEE Std 43-2013, 12.2.2"
    assert "above 5 GΩ" in judged.reason


def test_five_readings_over_four_times_the_first_time_make_a_curve():
    times = [10, 15, 20, 30, 40]
    assert insulation_curve(times, [1e9] * 5).used == 5
    with pytest.raises(MissingReadingError, match="4 times"):
        insulation_curve([*times[:-1], 39.9], [1e9] * 5)
    with pytest.raises(NotPositiveError, match="time is 0"):
        insulation_curve(times, [1e9] * 5).ohms_at(0)


def test_changes_begin_with_two_values_and_dates_end_with_the_horizon():
    two = trend(series([0, 10], [2.0, 3.0]))
    assert (two.change_last, two.change_baseline) == (50, 50)
    one = trend(series([0], [2.0]))
    assert (one.change_last, one.change_baseline) == (None, None)
    # 2.5e-4 a day from 1.225: 1.5 is 1100 days off, the tests reach back 900 (computed).
    for start in (0, 5000):
        days = [start, start + 400, start + 900]
        far = trend(series(days, [1.0, 1.1, 1.225], 0.01), limit=1.5, side="upper")
        assert far.crossing is None


def test_a_line_that_ends_at_nothing_has_no_per_cent():
    slope = trend(series([0, 500, 1000], [2.0, 1.0, 0.0])).slope
    assert (slope.intercept, slope.percent) == (0, 0)


def test_two_readings_each_way_have_a_scatter():
    readings = PulseReadings(forward=[100.0, 102.0], reverse=[101.0, 103.0])
    found = pulse_comparison(dict.fromkeys(("U-V", "V-W", "W-U"), readings), "period", "mean")
    assert found.asymmetry["U-V"].significant is False


def test_a_current_of_nothing_is_named():
    with pytest.raises(NotPositiveError, match=r"^current is 0:"):
        reversed_current_resistance(1.0, -1.0, 0.0)
