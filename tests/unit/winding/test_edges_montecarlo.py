"""What is drawn for the distribution of a figure, held against its definition (JCGM 101:2008, 5.9 and 7)."""

from statistics import stdev

import numpy as np
import pytest
from uncertainties import ufloat

from capture.winding.montecarlo import coverage, is_uncertain


def test_only_a_variable_that_varies_is_uncertain():
    assert is_uncertain([1.0, ufloat(1, 0.1)])
    assert is_uncertain([ufloat(2, 0.1), 1.0])
    assert not is_uncertain([1.0, 2.0])
    # A variable whose uncertainty has cancelled.
    one = ufloat(3, 0.1)
    assert not is_uncertain([one - one, 1.0])


def drawn(variables, **options):
    """Run with a figure that keeps what it was asked for."""
    rows = []

    def figure(asked):
        rows.append(asked)
        return asked.max(axis=1)

    return *coverage(variables, figure, **options), rows


def test_the_standard_uncertainty_is_that_of_the_draws():
    """s with n − 1 (JCGM 101:2008, 7.6, formula 17), by the standard library."""
    spread, standard, (first, _) = drawn([ufloat(1, 0.1), ufloat(2, 0.1)], trials=5)
    assert spread.trials == len(first) == 5
    assert standard == pytest.approx(stdev(first.max(axis=1)))
    assert (spread.quantiles[0], spread.quantiles[-1]) == pytest.approx(
        (first.max(axis=1).min(), first.max(axis=1).max())
    )


def test_the_floor_is_drawn_around_the_mean_with_the_relative_errors_kept():
    """The errors of the one run serve the other, each in proportion to its reading (what is promised)."""
    spread, _, (first, second) = drawn([ufloat(1, 0.1), 2.0, ufloat(3, 0.2)], trials=7)
    assert second == pytest.approx(2 * first / np.array([1, 2, 3]))
    assert second[:, 1] == pytest.approx(2)
    assert spread.floor == pytest.approx(np.quantile(second.max(axis=1), 0.95))


def test_the_same_seed_is_drawn_unless_told():
    one, again, other = (
        drawn([ufloat(1, 0.1)], trials=3, **o)[2][0] for o in ({}, {"seed": 1}, {"seed": 2})
    )
    assert np.array_equal(one, again)
    assert not np.array_equal(one, other)
