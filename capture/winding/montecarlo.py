"""Propagation of distributions (JCGM 101:2008) for figures that noise can only make larger.

A perfectly balanced set of readings never shows an unbalance of zero, so a symmetric ± around an
unbalance misleads. Here the readings are drawn many times and the figure computed for each draw.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, covariance_matrix

from .measured import Variable, value_of
from .result import Coverage

Array = NDArray[np.float64]

TRIALS = 20_000  # the 95 % quantile then repeats within about 1 % of its distance to the median
PROBABILITY = 0.95
_QUANTILES = 201


def is_uncertain(variables: Sequence[Variable]) -> bool:
    """Tell whether any of the variables carries an uncertainty."""
    return any(isinstance(variable, UFloat) and variable.std_dev > 0 for variable in variables)


def coverage(
    variables: Sequence[Variable],
    figure: Callable[[Array], Array],
    *,
    trials: int = TRIALS,
    probability: float = PROBABILITY,
    seed: int = 1,
) -> tuple[Coverage, float]:
    """Give the distribution of a figure of the variables, and its standard uncertainty.

    `figure` takes rows of readings and gives one number a row. Errors that the variables share
    are drawn together. The same seed gives the same answer. The floor is found by drawing around
    readings that are all equal to their mean.
    """
    uncertain = [place for place, one in enumerate(variables) if isinstance(one, UFloat)]
    means = np.array([value_of(variable) for variable in variables])
    covariance = np.zeros((len(means), len(means)))
    covariance[np.ix_(uncertain, uncertain)] = covariance_matrix(
        [variables[place] for place in uncertain]
    )
    rng = np.random.default_rng(seed)
    # Shared gain alone makes the matrix singular, which only the eigenvalue method takes.
    errors = rng.multivariate_normal(
        np.zeros(len(means)), covariance, trials, check_valid="ignore", method="eigh"
    )
    found = figure(means + errors)
    # The common part of the errors is kept in proportion: it is a gain, and gains cancel.
    level = means.mean()
    floor = figure(level + errors * (level / means))
    return (
        Coverage(
            probability=probability,
            lower=float(np.quantile(found, 1 - probability)),
            upper=float(np.quantile(found, probability)),
            floor=float(np.quantile(floor, probability)),
            trials=trials,
            quantiles=tuple(np.quantile(found, np.linspace(0, 1, _QUANTILES)).tolist()),
        ),
        float(np.std(found, ddof=1)),
    )
