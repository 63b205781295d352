"""Check values of unbalance and of the star and delta solutions, each with its origin beside it.

"computed": from the formula, in double precision, by hand outside this program.
"""

import itertools
import math

import numpy as np
import pytest

from capture.winding import (
    DEFINITIONS,
    Measured,
    MissingReadingError,
    MixedConditionsError,
    NotFiniteError,
    NotPositiveError,
    TriangleInequalityError,
    UnknownChoiceError,
    WindingError,
    phase_resistances,
    unbalance,
)

U, V, W, NEUTRAL = range(4)
PAIRS = ((U, V), (V, W), (W, U))


def nodal(edges, pair):
    """The second way: conductance matrix, one ampere in at one terminal, out at the other."""
    count = 1 + max(max(edge[:2]) for edge in edges)
    matrix = np.zeros((count, count))
    for first, second, ohms in edges:
        for node, other in ((first, second), (second, first)):
            matrix[node, node] += 1 / ohms
            matrix[node, other] -= 1 / ohms
    current = np.zeros(count)
    current[pair[0]], current[pair[1]] = 1, -1
    volts = np.linalg.pinv(matrix) @ current
    return volts[pair[0]] - volts[pair[1]]


def star_pairs(a, b, c):
    edges = [(U, NEUTRAL, a), (V, NEUTRAL, b), (W, NEUTRAL, c)]
    return [nodal(edges, pair) for pair in PAIRS]


def delta_pairs(x, y, z):
    edges = [(U, V, x), (V, W, y), (W, U, z)]
    return [nodal(edges, pair) for pair in PAIRS]


@pytest.mark.parametrize(
    ("values", "definition", "expected", "tolerance"),
    [
        # computed by hand
        ((1.00, 1.02, 1.01), "mean", 0.9901, 1e-4),
        ((1.00, 1.02, 1.01), "span-mean", 1.9802, 1e-4),
        ((1.00, 1.02, 1.01), "span-min", 2.0000, 1e-4),
        ((1.00, 1.02, 1.01), "span-max", 1.9608, 1e-4),
        # computed by hand
        ((13.85, 13.92, 13.89), "mean", 0.2640, 1e-4),
        ((13.85, 13.92, 13.89), "span-mean", 0.5041, 1e-4),
        # tools.gera.services/ac-voltage-imbalance-calculator: "about 1.96 %"
        ((460, 467, 450), "mean", 1.9608, 0.005),
        # A public current example seen second-hand, printed 9.4 %; 9.375 computed
        ((33, 29, 34), "mean", 9.375, 0.05),
        # Pair inductances of an ideal salient rotor, computed
        ((6.0, 4.5, 4.5), "mean", 20.0, 1e-6),
    ],
)
def test_unbalance_check_values(values, definition, expected, tolerance):
    assert unbalance(values, definition).value == pytest.approx(expected, abs=tolerance)


def test_result_accounts_for_itself():
    result = unbalance([1.00, 1.02, 1.01], "span-mean", inputs=["a", "b", "c"])
    assert (result.unit, result.formula) == ("%", "unbalance-span-mean")
    assert result.inputs == ("a", "b", "c")
    assert float(result) == result.value
    assert result.uncertainty is None
    assert result.standard_uncertainty is None


def test_equal_readings_have_no_unbalance():
    assert [unbalance([0.3, 0.3, 0.3], name).value for name in DEFINITIONS] == [
        pytest.approx(0, abs=1e-12)
    ] * len(DEFINITIONS)


def test_star_check_value():
    """Computed."""
    solved = phase_resistances(2.00, 2.10, 2.10, "star")
    assert solved.values == pytest.approx((1.00, 1.00, 1.10), abs=1e-9)
    assert solved.formula == "phase-resistances-star"


def test_delta_check_value():
    """Computed, forward by the nodal solution and back."""
    readings = delta_pairs(3.0, 3.0, 3.3)
    assert readings == pytest.approx([2.032258, 2.032258, 2.129032], abs=1e-6)
    assert phase_resistances(*readings, "delta").values == pytest.approx((3, 3, 3.3), abs=1e-9)


def test_balanced_six_leads():
    """Coil 1, star pair 2, delta pair 0.6667, ratio 3 (computed)."""
    assert star_pairs(1, 1, 1) == pytest.approx([2, 2, 2])
    assert delta_pairs(1, 1, 1) == pytest.approx([2 / 3] * 3)
    assert phase_resistances(2, 2, 2, "star").values == pytest.approx((1, 1, 1))
    assert phase_resistances(1, 1, 1, "delta").values == pytest.approx((1.5, 1.5, 1.5))


def test_open_winding_reads_its_phases():
    assert phase_resistances(1.0, 1.1, 5.0, "open").values == (1.0, 1.1, 5.0)


def test_unknown_connection_gives_both():
    both = phase_resistances(2.0, 2.1, 2.1, "unknown")
    assert both.star == phase_resistances(2.0, 2.1, 2.1, "star")
    assert both.delta == phase_resistances(2.0, 2.1, 2.1, "delta")


@pytest.mark.parametrize("coils", list(itertools.product((0.7, 1.0, 4.0), repeat=3)))
def test_star_and_delta_agree_with_the_nodal_solution(coils):
    assert phase_resistances(*star_pairs(*coils), "star").values == pytest.approx(coils)
    assert phase_resistances(*delta_pairs(*coils), "delta").values == pytest.approx(coils)


def test_open_delta_coil_reads_twice_the_two_other_pairs():
    """Pairs 2R, R, R, in the ratio 3 : 1.5 : 1.5 to the sound 2R/3 (computed)."""
    readings = [nodal([(V, W, 1.0), (W, U, 1.0)], pair) for pair in PAIRS]
    assert readings == pytest.approx([2, 1, 1])
    assert np.divide(readings, 2 / 3) == pytest.approx([3, 1.5, 1.5])
    with pytest.raises(TriangleInequalityError, match=r"U-V reads 2.*open") as caught:
        phase_resistances(2, 1, 1, "delta")
    assert caught.value.name == "U-V"


@pytest.mark.parametrize(
    ("pairs_of", "diluted"),
    [
        (star_pairs, 3.23),  # computed
        (delta_pairs, 3.125),  # computed; often printed 3.13
    ],
)
def test_one_bad_coil_is_diluted_over_the_pairs(pairs_of, diluted):
    """A coil 10 % high shows as 6.45 % over the phases (computed), about half over the pairs."""
    assert unbalance([1, 1, 1.1], "mean").value == pytest.approx(6.45, abs=0.005)
    assert unbalance(pairs_of(1, 1, 1.1), "mean").value == pytest.approx(diluted, abs=0.005)


@pytest.mark.parametrize(
    ("readings", "culprit"),
    [((3.0, 1.0, 1.0), "U-V"), ((1.0, 3.0, 1.0), "V-W"), ((1.0, 1.0, 3.0), "W-U")],
)
@pytest.mark.parametrize("connection", ["star", "delta", "unknown"])
def test_broken_triangle_names_the_pair_too_high(readings, culprit, connection):
    with pytest.raises(TriangleInequalityError) as caught:
        phase_resistances(*readings, connection)
    assert caught.value.name == culprit
    assert culprit in str(caught.value)


@pytest.mark.parametrize(
    ("bad", "error"),
    [
        (math.nan, NotFiniteError),
        (math.inf, NotFiniteError),
        (-1.0, NotPositiveError),
        (0.0, NotPositiveError),
        (None, MissingReadingError),
    ],
)
def test_a_bad_reading_is_named(bad, error):
    with pytest.raises(error, match="V-W"):
        phase_resistances(1.0, bad, 1.0, "star")
    with pytest.raises(error, match="phase V"):
        phase_resistances(1.0, bad, 1.0, "open")
    with pytest.raises(error, match="reading 2"):
        unbalance([1.0, bad, 1.0], "mean")
    with pytest.raises(error, match="phase W"):
        unbalance({"phase U": 1.0, "phase W": bad}, "mean")


def test_mixed_units_are_named():
    ohms, milli = Measured(value=1.0, unit="Ohm"), Measured(value=1000.0, unit="mOhm")
    with pytest.raises(MixedConditionsError, match="reading 2 is in mOhm, reading 1 in Ohm"):
        unbalance([ohms, milli, ohms], "mean")
    with pytest.raises(MixedConditionsError, match="V-W is in mOhm, the formula in Ohm"):
        phase_resistances(ohms, milli, ohms, "star")


def test_errors_are_value_errors():
    assert issubclass(WindingError, ValueError)


def test_unknown_choices_list_what_there_is():
    with pytest.raises(UnknownChoiceError, match="mean, span-mean, span-min, span-max"):
        unbalance([1, 2], "average")
    with pytest.raises(UnknownChoiceError, match="star, delta, open, unknown"):
        phase_resistances(1, 1, 1, "wye")


def test_one_reading_has_no_unbalance():
    with pytest.raises(MissingReadingError, match="second reading"):
        unbalance([1.0], "mean")


@pytest.mark.parametrize("definition", ["mean", "span-mean", "span-min", "span-max"])
def test_the_mean_of_equal_readings_is_not_rounded_away_from_them(definition):
    """Three times 0.0621 add up to a little less than 0.1863 in binary."""
    assert unbalance([0.0621, 0.0621, 0.0621], definition).value == 0
