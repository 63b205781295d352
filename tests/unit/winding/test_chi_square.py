"""Limits of χ² against printed tables, and against another program where tables end."""

import pytest
from scipy.stats import chi2

from capture.winding.chi_square import chi_square_limit


@pytest.mark.parametrize(
    ("quantities", "values"),
    # Upper critical values for 2, 4, 6 and 8 degrees of freedom at 0.1, 0.05, 0.025, 0.01 and 0.001
    # (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4; from memory).
    [
        (1, (4.605, 5.991, 7.378, 9.210, 13.816)),
        (2, (7.779, 9.488, 11.143, 13.277, 18.467)),
        (3, (10.645, 12.592, 14.449, 16.812, 22.458)),
        (4, (13.362, 15.507, 17.535, 20.090, 26.125)),
    ],
)
def test_limits_of_the_table(quantities, values):
    for share, value in zip((0.1, 0.05, 0.025, 0.01, 0.001), values, strict=True):
        assert chi_square_limit(share, quantities) == pytest.approx(value, abs=6e-4)


@pytest.mark.parametrize(
    ("quantities", "value"),
    # Abramowitz and Stegun, table 26.8, Q = 0.0001; from memory.
    [(1, 18.421), (2, 23.513), (3, 27.856), (4, 31.828)],
)
def test_a_limit_far_out(quantities, value):
    assert chi_square_limit(1e-4, quantities) == pytest.approx(value, abs=6e-4)


@pytest.mark.parametrize("quantities", [1, 2, 3, 4, 7])
@pytest.mark.parametrize("share", [0.99, 0.5, 0.05, 2e-4, 1e-5, 1e-12])
def test_a_limit_against_another_program(quantities, share):
    assert chi_square_limit(share, quantities) == pytest.approx(
        chi2.isf(share, 2 * quantities), rel=1e-12
    )


def test_one_quantity_has_a_closed_form():
    """Two degrees of freedom: Q = e^(−χ²/2), so that 1/e is left beyond 2 (computed)."""
    assert chi_square_limit(0.36787944117144233, 1) == pytest.approx(2, rel=1e-14)
