"""What results, readings and comparisons say of themselves, word for word where others rely on it.

One file, a section a kind of account: none is long enough for a file of its own.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import ufloat

from capture.winding import (
    Bounded,
    Limit,
    Measured,
    MissingReadingError,
    MixedConditionsError,
    NotFiniteError,
    NotPositiveError,
    OutsideRangeError,
    PulseReadings,
    Result,
    TriangleInequalityError,
    Verdict,
    accuracy_limits,
    correct_resistance,
    direct_voltage_level,
    effective_freedom,
    frequency_shift,
    from_certificate,
    impedance,
    impedance_from_readings,
    impulse_level,
    judge,
    judged,
    ohms_from_quality,
    open_parallel_path,
    open_phase,
    overall,
    phase_resistances,
    power_frequency_level,
    pulse,
    pulse_comparison,
    reference_check,
    repeatability,
    reversed_current_resistance,
    ring,
    series_from_magnitude,
    series_parallel,
    settling_seconds,
    shutdown_delay,
    shutdown_resistance,
    surge_unit,
    temperature_from_resistance,
    temperature_rise,
    turn_impulse_level,
    unbalance,
    waveform_difference,
    zero_check,
    zeroed_two_wire,
)
from capture.winding.checks import positive
from capture.winding.measured import check_units, identities, linear_result, value_of, variables
from capture.winding.result import Coverage, Judgement

OPEN = Bounded(bound=1e6)


def test_the_words_of_verdicts_are_those_that_are_stored():
    """ILAC-G8:09/2019 statements, and their absence; schemas/ and journals hold these words."""
    assert [str(verdict) for verdict in Verdict] == [
        "pass",
        "conditional pass",
        "conditional fail",
        "fail",
        "not applicable",
        "information only",
        "inconclusive",
    ]


def test_a_bound_is_one_from_below_unless_told():
    assert Bounded(bound=1).side == "above"


def test_a_result_shows_neither_its_distribution_nor_its_variable():
    spread = Coverage(
        probability=0.95, lower=0, upper=1, floor=1, trials=1, quantiles=(0.125, 0.25)
    )
    one = Result(value=1, unit="1", formula="x", coverage=spread, variable=ufloat(7, 1))
    assert "0.125" not in repr(one)
    assert "7.0" not in repr(one)
    assert one == Result(value=1, unit="1", formula="x", coverage=spread)


@pytest.mark.parametrize(
    ("expanded", "factor", "standard"),
    [(None, None, None), (None, 2, None), (1, None, None), (1, 2, 0.5)],
)
def test_a_standard_uncertainty_needs_both(expanded, factor, standard):
    result = Result(value=1, unit="1", formula="x", uncertainty=expanded, coverage_factor=factor)
    assert result.standard_uncertainty == standard


def test_a_result_is_judged_with_its_whole_uncertainty_as_guard():
    """1.6 + 0.4 is 2: accepted with w = U, no longer with w = 1.1 U (computed)."""
    limit = Limit(id="x", value=2, unit="", side="upper", source="s", confidence="c", adopted=True)
    result = Result(value=1.6, unit="1", formula="x", uncertainty=0.4, coverage_factor=2)
    assert judged(result, limit, "guarded").judgement.verdict is Verdict.PASS
    assert judged(result, limit, "guarded").judgement.guard == 0.4
    wider = judged(result, limit, "guarded", guard_factor=1.1).judgement
    assert (wider.verdict, wider.guard) == (Verdict.FAIL, pytest.approx(0.44))
    assert judged(result, limit).judgement.guard == 0


@pytest.mark.parametrize(
    ("quantiles", "limit", "share"),
    # Straight lines between quantiles of equal shares; of equal ones all shares count (computed).
    [
        ((0, 1, 3, 7), -0.1, 0),
        ((0, 1, 3, 7), 0, 0),
        ((0, 1, 3, 7), 0.5, 1 / 6),
        ((0, 1, 3, 7), 2, 1 / 2),
        ((0, 1, 3, 7), 3, 2 / 3),
        ((0, 1, 3, 7), 4, 3 / 4),
        ((0, 1, 3, 7), 7, 1),
        ((0, 1, 3, 7), 8, 1),
        ((0, 1, 1, 2), 1, 2 / 3),
        ((1, 1, 2), 1, 1 / 2),
        ((0, 2, 2), 2, 1),
    ],
)
def test_probability_by_a_distribution_is_its_share_within_the_limit(quantiles, limit, share):
    spread = Coverage(probability=0.95, lower=0, upper=1, floor=1, trials=1, quantiles=quantiles)
    result = Result(value=1, unit="1", formula="x", coverage=spread)
    assert judge(result, limit, "upper").probability == pytest.approx(share)
    assert judge(result, limit, "lower").probability == pytest.approx(1 - share)


def test_a_judgement_that_says_no_source_has_the_caller_s():
    bare = Judgement(
        verdict=Verdict.PASS, limit=1, side="upper", rule="simple", acceptance_limit=1, guard=0
    )
    assert (bare.source, bare.confidence) == ("given by the caller", "as given")


@pytest.mark.parametrize(
    ("name", "call"),
    [
        ("resistance", lambda x: correct_resistance(x, 20, 25, 235)),
        ("winding temperature", lambda x: correct_resistance(1, x, 25, 235)),
        ("reference temperature", lambda x: correct_resistance(1, 20, x, 235)),
        ("zero-resistance temperature", lambda x: correct_resistance(1, 20, 25, x)),
        ("cold resistance", lambda x: temperature_from_resistance(x, 1, 20, 235)),
        ("hot resistance", lambda x: temperature_from_resistance(1, x, 20, 235)),
        ("cold resistance", lambda x: temperature_rise(x, 1, 20, 20, 235)),
        ("hot resistance", lambda x: temperature_rise(1, x, 20, 20, 235)),
        ("coolant temperature", lambda x: temperature_rise(1, 1, 20, x, 235)),
        ("rated power", shutdown_delay),
        ("current", lambda x: reversed_current_resistance(1, -1, x)),
        ("forward voltage", lambda x: reversed_current_resistance(x, -1, 1)),
        ("reverse voltage", lambda x: reversed_current_resistance(1, x, 1)),
        ("inductance", lambda x: impedance(x, 1, 1)),
        ("resistance", lambda x: impedance(1, x, 1)),
        ("frequency", lambda x: impedance(1, 1, x)),
        ("inductance", lambda x: series_parallel(x, 1, 1, "series")),
        ("resistance", lambda x: series_parallel(1, x, 1, "series")),
        ("frequency", lambda x: series_parallel(1, 1, x, "series")),
        ("frequency", lambda x: ohms_from_quality(1, 1, x, "series")),
        ("inductance", lambda x: ohms_from_quality(x, 1, 1, "series")),
        ("Q", lambda x: ohms_from_quality(1, x, 1, "series")),
        ("|Z|", lambda x: series_from_magnitude(x, 45, 1)),
        ("frequency", lambda x: series_from_magnitude(1, 45, x)),
        ("inductance", lambda x: ring(x, 1, 1)),
        ("capacitance", lambda x: ring(1, x, 1)),
        ("resistance", lambda x: ring(1, 1, x)),
        ("loss of inductance", frequency_shift),
        ("rated voltage", impulse_level),
        ("rated voltage", surge_unit),
        ("per unit", lambda x: surge_unit(1, per_unit=x)),
        ("rated voltage", power_frequency_level),
        ("coverage factor", lambda x: from_certificate(1, x)),
        ("reading", accuracy_limits),
        ("reading 2", lambda x: repeatability([1, x])),
        ("reading 1", lambda x: unbalance([x, 1], "mean")),
        ("reference", lambda x: reference_check(1, 1, x, 1)),
        ("tolerance", lambda x: reference_check(1, 1, 1, x)),
        ("voltage", lambda x: impedance_from_readings(x, 1, 1)),
        ("current", lambda x: impedance_from_readings(1, x, 1)),
        ("phase angle", lambda x: impedance_from_readings(1, 1, x)),
        ("limit", lambda x: judge(1, x, "upper")),
        ("value", lambda x: judge(x, 1, "upper")),
        ("value", lambda x: judge(Bounded(bound=x), 1, "upper")),
        ("value", lambda x: judge(Measured(value=x), 1, "upper")),
        ("value", lambda x: judge(Result(value=x, unit="1", formula="x"), 1, "upper")),
        ("reading", lambda x: zeroed_two_wire(x, 1)),
        ("time 2", lambda x: shutdown_resistance([0, x], [1, 1], 0)),
        ("resistance 2", lambda x: shutdown_resistance([0, 1], [1, x], 0)),
        ("delay", lambda x: shutdown_resistance([0, 1], [1, 1], x)),
        ("inductance", lambda x: settling_seconds(x, 1, 0.5)),
        ("resistance", lambda x: settling_seconds(1, x, 0.5)),
    ],
)
def test_a_reading_that_is_no_number_is_called_by_its_name(name, call):
    with pytest.raises(NotFiniteError) as caught:
        call(math.nan)
    assert caught.value.name == name


def test_a_quality_of_a_winding_is_above_zero():
    for call in (
        lambda: series_from_magnitude(0, 45, 1),
        lambda: series_from_magnitude(1, 45, 0),
        lambda: ohms_from_quality(1, 0, 1, "series"),
        lambda: ohms_from_quality(1, 1, 0, "series"),
        lambda: ohms_from_quality(0, 1, 1, "parallel"),
        lambda: from_certificate(1, 0),
        lambda: surge_unit(1, per_unit=0),
        lambda: positive("anything", 0),
    ):
        with pytest.raises(NotPositiveError):
            call()
    for degrees in (0, 90):
        with pytest.raises(OutsideRangeError, match="between 0 and 90"):
            series_from_magnitude(1, degrees, 1)


def test_every_form_of_an_impedance_has_its_unit_and_name():
    """UCUM codes; 3 Ω and 4 Ω at a right angle make 5 Ω (Pythagoras)."""
    h, r, f = Measured(value=4 / (2 * math.pi), id="h"), Measured(value=3, id="r"), 1.0
    z = impedance(h, r, f)
    said = {
        "ohms": ("Ohm", "resistance", 3),
        "reactance": ("Ohm", "reactance", 4),
        "magnitude": ("Ohm", "impedance-magnitude", 5),
        "degrees": ("deg", "phase-angle", math.degrees(math.atan(4 / 3))),
        "quality": ("1", "quality-factor", 4 / 3),
        "loss": ("1", "loss-factor", 3 / 4),
    }
    for name, (unit, formula, value) in said.items():
        one = getattr(z, name)
        assert (one.unit, one.formula, one.value) == (unit, formula, pytest.approx(value))
        assert one.inputs == ("h", "r")
    both = series_parallel(h, r, f, "series")
    said = {
        "series_henries": ("H", "series-inductance"),
        "series_ohms": ("Ohm", "series-resistance"),
        "parallel_henries": ("H", "parallel-inductance"),
        "parallel_ohms": ("Ohm", "parallel-resistance"),
        "quality": ("1", "quality-factor"),
        "loss": ("1", "loss-factor"),
    }
    for name, (unit, formula) in said.items():
        one = getattr(both, name)
        assert (one.unit, one.formula, one.constants) == (unit, formula, {"hertz": 1.0})
    assert both.loss.value == pytest.approx(3 / 4)


@pytest.mark.parametrize(
    ("level", "formula"),
    [
        (impulse_level, "impulse-level"),
        (turn_impulse_level, "turn-impulse-level"),
        (surge_unit, "surge-unit"),
        (power_frequency_level, "power-frequency-level"),
        (direct_voltage_level, "direct-voltage-level"),
    ],
)
def test_a_level_says_what_it_is(level, formula):
    assert (level(400).unit, level(400).formula) == ("V", formula)


def test_a_level_per_unit_says_how_many():
    assert surge_unit(400, per_unit=3.5).constants == {"per_unit": 3.5}
    assert surge_unit(400).constants == {"per_unit": 1}


def test_a_ring_at_its_limit_does_not_ring():
    """ζ = (R/2)·√(C/L) = 1 is the aperiodic limit (any textbook): R 2 Ω, L 1 H, C 1 F."""
    found = ring(1, 1, 2)
    assert (found.damping, found.quality) == (1, 0.5)
    assert (found.hertz, found.decrement, found.peak_ratio) == (None, None, None)


def test_no_loss_of_inductance_is_no_shift():
    assert frequency_shift(0).value == 0
    assert (frequency_shift(0).unit, frequency_shift(0).formula) == ("%", "ring-frequency-shift")
    with pytest.raises(OutsideRangeError, match="between 0 and 100"):
        frequency_shift(-0.1)


def test_a_wave_is_compared_sample_by_sample():
    result = waveform_difference([1, 2], [1, 1])  # 1 of 3 (computed)
    assert result.value == pytest.approx(100 / 3)
    assert (result.unit, result.formula) == ("%", "waveform-difference")
    assert waveform_difference([1], [0]).value == 100
    for waves, name in (
        (([1, math.nan], [1, 1]), "sample 2 of the first wave"),
        (([1, 1], [math.inf, 1]), "sample 1 of the second wave"),
    ):
        with pytest.raises(NotFiniteError, match=name):
            waveform_difference(*waves)


# ── readings ─────────────────────────────────────────────────────────────────────────────────


def test_a_reading_s_two_uncertainties_add_as_squares():
    """3 and 4 make 5 (Pythagoras): random 3, gain 2 % of 200."""
    assert Measured(value=200, random=3, gain=0.02).standard_uncertainty == pytest.approx(5)


def test_readings_of_one_range_share_their_gain_and_others_do_not():
    a = Measured(value=1.0, gain=0.01, instrument="m", range="1")
    b = Measured(value=2.0, gain=0.01, instrument="m", range="1")
    for other, cancels in (
        (b, True),
        (Measured(value=2.0, gain=0.01, instrument="m", range="2"), False),
        (Measured(value=2.0, gain=0.01, instrument="n", range="1"), False),
    ):
        first, second = variables([a, other])
        ratio = second / first
        assert ratio.nominal_value == 2
        # √2 · 1 % of 2 where each has its own (JCGM 100:2008, 5.1.2)
        assert ratio.std_dev == pytest.approx(0 if cancels else 2 * 0.01 * 2**0.5, abs=1e-12)
    assert variables([Measured(value=3.0)]) == [3.0]
    assert Measured(value=3.0).standard_uncertainty == 0


def test_units_that_differ_are_named_with_their_owners():
    ohm, henry, none = (Measured(value=1, unit=u) for u in ("Ohm", "H", ""))
    check_units({"a": ohm, "b": none, "c": ohm, "d": 1.0})
    check_units({"a": ohm}, "Ohm")
    with pytest.raises(MixedConditionsError, match=r"^b is in H, a in Ohm$"):
        check_units({"z": none, "a": ohm, "b": henry})
    with pytest.raises(MixedConditionsError, match=r"^b is in H, the formula in Ohm$"):
        check_units({"b": henry}, "Ohm")


def test_ids_are_collected_once():
    a, b = Measured(value=1, id="a"), Measured(value=1, id="b")
    done = Result(value=1, unit="1", formula="x", inputs=("b", "c"))
    assert identities(a, b, a, done, Measured(value=1), 1.0) == ("a", "b", "c")


def test_the_value_of_a_variable_is_bare():
    assert value_of(ufloat(2, 1)) == 2
    assert value_of(3) == 3


def test_a_formula_takes_what_another_gave():
    """Both uncertainties of U = 2u; a result without a variable brings its own u."""
    given = Result(value=2.0, unit="Ohm", formula="x", uncertainty=0.2, coverage_factor=2)
    result = correct_resistance(given, 20, 20, 235)
    assert (result.value, result.uncertainty) == (pytest.approx(2.0), pytest.approx(0.2))
    assert correct_resistance(2.0, 20, 20, 235).uncertainty is None
    assert correct_resistance(2.0, 20, 20, 235).coverage_factor is None


def test_parts_of_an_accuracy_specification_add_up():
    """1 % of 2, 3 digits of 0.01, 0.5 % of 10: 0.02 + 0.03 + 0.05 (computed)."""
    parts = {
        "percent_of_reading": 1,
        "counts": 3,
        "resolution": 0.01,
        "percent_of_range": 0.5,
        "full_range": 10,
    }
    assert accuracy_limits(-2, **parts) == pytest.approx(0.10)
    for alone in ({}, {"counts": 1}, {"resolution": 1}, {"percent_of_range": 1}, {"full_range": 1}):
        assert accuracy_limits(2, **alone) == 0
    for name in parts:
        for bad in (-1e-9, math.inf):
            with pytest.raises(OutsideRangeError, match="negative"):
                accuracy_limits(2, **parts | {name: bad})


def test_freedom_goes_with_the_fourth_power():
    """Welch and Satterthwaite (JCGM 100:2008, G.4): (1 + 4)²/(1/4 + 16/8) = 11.11 (computed)."""
    assert effective_freedom([(1.0, 4), (2.0, 8)]) == pytest.approx(100 / 9)


def test_freedom_of_nothing_is_endless():
    assert effective_freedom([(0.0, 3)]) == math.inf
    assert repeatability([1.0, 3.0]) == pytest.approx(1)  # s = √2, over √2 (computed)


# ── pulse times ──────────────────────────────────────────────────────────────────────────────


def test_the_scatter_of_two_directions_is_pooled():
    """Means 102 and 105; s²/n is 4/3 and 8/2, so their difference has √(16/3), their mean half."""
    readings = PulseReadings(forward=[100.0, 102.0, 104.0], reverse=[103.0, 107.0])
    mean = pulse._mean("U-V", readings)
    assert mean.value == pytest.approx(103.5)
    assert mean.random == pytest.approx(math.sqrt(16 / 3) / 2)
    found = pulse_comparison(dict.fromkeys(("U-V", "V-W", "W-U"), readings), "period", "mean")
    assert found.means == pytest.approx(dict.fromkeys(("U-V", "V-W", "W-U"), 103.5))
    one = found.asymmetry["U-V"]
    assert one.per_cent == pytest.approx(-100 * 3 / 103.5)
    assert one.repeatability_per_cent == pytest.approx(100 * math.sqrt(16 / 3) / 103.5)
    # 3 is less than three times 2.31: within the scatter
    assert (one.significant, one.causes) == (False, ())
    assert one.statement == (
        "U-V differs by -2.90 % between directions, within the scatter of 2.23 %"
    )
    assert found.law == "period"
    assert found.deviation.unit == "%"


def test_three_times_the_scatter_itself_is_within_it():
    """Four readings 3, −1, −1, −1 off have s 2 and s/√n 1: a difference of 3 is just three times."""
    readings = PulseReadings(forward=[103.0, 99.0, 99.0, 99.0], reverse=[103.0] * 4)
    found = pulse_comparison(dict.fromkeys(("U-V", "V-W", "W-U"), readings), "period", "mean")
    assert found.asymmetry["U-V"].significant is False
    wider = PulseReadings(forward=[103.0, 99.0, 99.0, 99.0], reverse=[103.01] * 4)
    found = pulse_comparison(dict.fromkeys(("U-V", "V-W", "W-U"), wider), "period", "mean")
    assert found.asymmetry["U-V"].statement.endswith("more than the scatter of 0.99 %")


def test_a_time_that_cannot_be_is_named_by_pair_and_direction():
    times = dict.fromkeys(("U-V", "V-W", "W-U"), 1.0)
    for entry, name in (
        (PulseReadings(forward=[1.0, 0.0]), "V-W forward 2"),
        (PulseReadings(forward=[1.0], reverse=[0.0]), "V-W reverse 1"),
    ):
        with pytest.raises(NotPositiveError, match=name):
            pulse_comparison(times | {"V-W": entry}, "period", "mean")


def test_a_small_difference_of_exact_times_still_points_somewhere():
    found = pulse_comparison({"U-V": 100.0, "V-W": 100.5, "W-U": 100.0}, "unknown", "mean")
    assert found.terminal == "U"


@pytest.mark.parametrize(("difference", "significant"), [(2.4, False), (2.5, True)])
def test_three_times_the_scatter_is_significant(difference, significant):
    """Common practice, no source. s 1 each of three: 3·√(2/3) = 2.449 (computed)."""
    reverse = [value + difference for value in (100.0, 101.0, 102.0)]
    readings = PulseReadings(forward=[100.0, 101.0, 102.0], reverse=reverse)
    found = pulse_comparison(dict.fromkeys(("U-V", "V-W", "W-U"), readings), "period", "mean")
    assert found.asymmetry["V-W"].significant is significant


def test_one_repeated_direction_alone_gives_no_scatter():
    for forward, reverse in (([100.0, 102.0], [101.0]), ([101.0], [100.0, 102.0])):
        readings = PulseReadings(forward=forward, reverse=reverse)
        found = pulse_comparison(dict.fromkeys(("U-V", "V-W", "W-U"), readings), "rise", "mean")
        assert found.deviation.coverage is None
        assert found.asymmetry["U-V"].repeatability_per_cent is None


@pytest.mark.parametrize(
    ("middle", "terminal"),
    # Between 92 and 104: steps of 4 and 8, a hair less apart, and the same from above (computed).
    [(96.0, "U"), (96.1, None), (100.0, "V"), (99.9, None)],
)
def test_two_pairs_are_alike_when_the_third_stands_twice_as_far(middle, terminal):
    times = {"U-V": 92.0, "V-W": 104.0, "W-U": middle}
    if terminal == "V":
        times = {"U-V": 92.0 + 12, "V-W": middle, "W-U": 92.0}
    assert pulse_comparison(times, "unknown", "mean").terminal == terminal


def test_equal_pulse_times_point_nowhere():
    found = pulse_comparison(dict.fromkeys(("U-V", "V-W", "W-U"), 100.0), "period", "mean")
    assert (found.value, found.terminal) == (0, None)
    assert "no difference" in found.statement


def test_like_pairs_are_named_in_the_order_of_the_pairs():
    for low in (90.0, 90.2):
        times = {"U-V": low, "V-W": 100.0, "W-U": 90.1}
        words = pulse_comparison(times, "unknown", "mean").statement
        assert words == "the two low pairs, U-V and W-U, share U"


# ── open phases and paths ────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("high", "phase"), [(2.1, "U"), (2.11, None), (1.905, "U"), (1.9, None)])
def test_an_open_delta_coil_is_twice_the_others_within_a_twentieth(high, phase):
    """2R of 1 Ω, ±5 % of the reading (common practice): 1.9048 … 2.1053 (computed)."""
    for ohms in (1e-3, 1.0, 1e3):  # a large machine's winding, and a small one's
        assert open_phase(high * ohms, ohms, ohms).phase == phase


@pytest.mark.parametrize(("other", "phase"), [(1.05, "U"), (1.055, None)])
def test_the_two_other_pairs_of_an_open_coil_are_level(other, phase):
    """A difference of up to 5 % of their mean (common practice)."""
    for ohms in (1e-3, 1.0, 1e3):
        found = open_phase((1.0 + other) * ohms, ohms, other * ohms)
        assert (found.phase, found.connection) == (phase, "delta" if phase else None)


def test_all_open_and_none_open_are_said():
    assert (open_phase(OPEN, OPEN, OPEN).phase, open_phase(OPEN, OPEN, OPEN).connection) == (
        None,
        None,
    )
    assert open_phase(1.0, 1.0, 1.0).statement == "no phase is open"
    words = open_phase(1.0, 2.0, 1.0).statement
    assert "coil V, between V and W, is open" in words
    for name, readings in (("U-V", (0.0, 1, 1)), ("V-W", (1, 0.0, 1)), ("W-U", (1, 1, 0.0))):
        with pytest.raises(NotPositiveError, match=name):
            open_phase(*readings)


@pytest.mark.parametrize(("paths", "opened"), [(2, 1), (3, 1), (3, 2), (4, 1), (4, 2), (4, 3)])
def test_so_many_open_paths_of_so_many(paths, opened):
    """m/(m − a) of the others (network algebra), in an open winding read directly."""
    expected = paths / (paths - opened)
    found = open_parallel_path(1.0, expected, 1.0, "open", paths)
    assert (found.phase, found.open_paths) == ("V", opened)
    assert found.ratio == pytest.approx(expected)
    assert found.expected == pytest.approx(expected)
    assert f"{opened} of {paths} paths open" in found.statement


@pytest.mark.parametrize(
    ("high", "other", "phase"),
    # ratio within 3 % of 4/3, others within 3 % of each other (computed)
    [
        (1.37, 1.0, "U"),
        (1.38, 1.0, None),
        (1.30, 1.0, "U"),
        (1.29, 1.0, None),
        (1.35, 1.029, "U"),
        (1.37, 1.04, None),
    ],
)
def test_an_open_path_is_told_within_three_per_cent(high, other, phase):
    for ohms in (1e-3, 1e3):
        assert open_parallel_path(high * ohms, ohms, other * ohms, "open", 4).phase == phase
    found = open_parallel_path(high, 1.0, other, "open", 4)
    assert found.phase == phase
    assert found.open_paths == (1 if phase else 0)
    assert found.ratio == pytest.approx(2 * high / (1 + other))
    assert found.misfit == pytest.approx(100 * (found.ratio / (4 / 3) - 1))
    assert found.statement.endswith("not that") == (phase is None)


# ── checks of the instrument ─────────────────────────────────────────────────────────────────


def test_a_check_of_the_instrument_accounts_for_itself():
    found = reference_check(1.0, 1.25, 1.0, 0.25, unit="mOhm")
    assert (found.before, found.after, found.drift) == (1.0, 1.25, 0.25)
    assert (found.tolerance, found.unit, found.holds) == (0.25, "mOhm", True)
    assert not reference_check(1.0, 1.3, 1.0, 0.25).holds
    assert "off the reference by 0.5 Ohm, drift 0.5 Ohm" in (
        reference_check(1.0, 1.5, 1.0, 0.25).statement
    )
    # Once off is off, whichever comes first, and though the drift be small.
    for before, after, by in ((1.5, 1.25, 0.5), (1.25, 1.5, 0.5), (0.5, 0.75, -0.5)):
        off = reference_check(before, after, 1.0, 0.25)
        assert not off.holds
        assert f"off the reference by {by} Ohm" in off.statement
    assert reference_check(1.0, 1.0, 1.0, 0.25).unit == "Ohm"
    assert zero_check(0.25, 0.0, 0.25).holds
    assert zero_check(0.0, 0.0, 0.25).unit == "Ohm"


def test_shorted_leads_are_taken_off():
    result = zeroed_two_wire(Measured(value=0.5, id="r"), Measured(value=0.25, id="s"))
    assert (result.value, result.unit, result.inputs) == (0.25, "Ohm", ("r", "s"))
    assert result.formula == "zeroed-two-wire"
    assert zeroed_two_wire(0.5, 0.0).value == 0.5
    with pytest.raises(NotPositiveError, match="reading is 0"):
        zeroed_two_wire(0, 0)


# ── the whole ────────────────────────────────────────────────────────────────────────────────


def judgement(verdict):
    return Judgement(
        verdict=verdict, limit=1, side="upper", rule="simple", acceptance_limit=1, guard=0
    )


ORDER = ["fail", "conditional fail", "inconclusive", "conditional pass", "pass"]


@pytest.mark.parametrize("place", range(len(ORDER)))
def test_the_worse_of_any_two_decides(place):
    """From worst to best, as ILAC-G8:09/2019 orders its statements; nothing said lies between."""
    for better in ORDER[place:]:
        whole = overall({"a": judgement(Verdict(ORDER[place])), "b": judgement(Verdict(better))})
        assert whole.verdict == ORDER[place]
        assert whole.decided_by == (("a", "b") if better == ORDER[place] else ("a",))
        assert whole.not_run == ()
        assert whole.reason == f"{ORDER[place]}: {', '.join(whole.decided_by)}"


def test_of_an_unfinished_job_only_failures_decide():
    whole = overall({"a": judgement(Verdict.INCONCLUSIVE), "b": None})
    assert (whole.decided_by, whole.reason) == ((), "not run: b")


def test_one_uncertain_reading_makes_the_whole_uncertain():
    noisy = Measured(value=1.0, random=0.1)
    assert unbalance([noisy, 1.0, 1.0], "mean").uncertainty > 0
    reading = ufloat(1.0, 0.5)
    cancelled = reading - reading + 1
    assert unbalance([cancelled, 1.0, 1.0], "mean").uncertainty is None


def test_a_nearly_pure_resistance_has_an_angle():
    """1 Ω at 0.5°: 1·sin 0.5° is 8.7265 mΩ (any table)."""
    henries, ohms = series_from_magnitude(1.0, 0.5, 1 / (2 * math.pi))
    assert (henries, ohms) == (pytest.approx(8.7265e-3, rel=1e-4), pytest.approx(0.99996, rel=1e-5))


def test_a_missing_step_hides_nothing_worse():
    for verdict in ORDER:
        whole = overall({"a": judgement(Verdict(verdict)), "b": None})
        expected = verdict if "fail" in verdict else "inconclusive"
        assert (whole.verdict, whole.not_run) == (expected, ("b",))
        assert whole.reason.endswith("not run: b")
    assert overall({"a": judgement(Verdict.NOT_APPLICABLE)}).reason.startswith("no step")


@pytest.mark.parametrize(
    "readings",
    [
        (2.0, 2.1, 2.1),
        [Measured(value=v, random=0.01, id=i) for v, i in ((2.0, "a"), (2.1, "b"), (2.1, "c"))],
    ],
)
def test_solved_phases_are_in_ohms_and_compare_by_value(readings):
    both = phase_resistances(*readings, "unknown")
    assert (both.connection, both.unit) == ("unknown", "Ohm")
    for solved in (both.star, both.delta):
        assert [one.unit for one in solved.results.values()] == ["Ohm"] * 3
        assert [one.formula for one in solved.results.values()] == [solved.formula] * 3
        assert solved.unit == "Ohm"
        bare = replace(solved, variables=())
        assert bare == solved
        assert repr(bare) == repr(solved)
        assert [float(one) for one in bare.results.values()] == pytest.approx(solved.values)
    if not isinstance(readings, tuple):
        assert both.star.inputs == ("a", "b", "c")


def test_a_solution_says_which_connection_it_is():
    for connection in ("star", "delta", "open"):
        solved = phase_resistances(2.0, 2.1, 2.1, connection)
        assert solved.connection == connection
        assert solved.formula == f"phase-resistances-{connection}"


def test_a_pair_that_reads_too_much_is_held_against_the_two_others():
    for place, name in enumerate(("U-V", "V-W", "W-U")):
        readings = [1.0, 1.0, 1.0]
        readings[place] = 3.0
        with pytest.raises(TriangleInequalityError, match=f"{name} reads 3, .* together 2:"):
            phase_resistances(*readings, "star")


def test_an_uncertainty_that_cancels_is_none():
    reading = ufloat(1.0, 0.5)
    result = linear_result(reading - reading + 2, unit="Ohm", formula="x")
    assert (result.value, result.uncertainty, result.coverage_factor) == (2, None, None)


def test_only_gains_of_different_ranges_ask_for_a_repeat():
    """A reading without a gain error has none that could fail to cancel."""
    a = Measured(value=1.0, gain=0.01, instrument="m", range="1")
    bare = Measured(value=1.0, instrument="m", range="2")
    assert unbalance([a, bare, bare], "mean").notes == ()


def test_noise_of_a_balanced_set_is_drawn_often_enough():
    """20 000 trials, 95 %, quantiles by half a per cent (what `coverage` promises)."""
    spread = unbalance([Measured(value=100, random=1.0)] * 3, "mean").coverage
    assert (spread.probability, spread.trials, len(spread.quantiles)) == (0.95, 20_000, 201)
    assert spread.quantiles[190] == pytest.approx(spread.upper)
    assert spread.quantiles[10] == pytest.approx(spread.lower)
    assert np.all(np.diff(spread.quantiles) >= 0)
    with pytest.raises(MissingReadingError, match="a second reading"):
        unbalance([1.0], "mean")
