"""How far off what is true may lie: the limit of χ² that few true cases exceed."""

from math import factorial, log

_ROUNDS = 20


def chi_square_limit(share: float, quantities: int) -> float:
    """Give the χ² that a share of true cases exceeds, with two degrees of freedom a quantity.

    Each quantity is carried as two contrasts, so the degrees of freedom are even and the law is a
    short sum, Q(χ²) = e^−y · Σ yᵏ/k! for k below their half, with y = χ²/2 (Abramowitz and Stegun,
    26.4.21, from memory). The logarithm of Q is concave: Newton's steps overshoot once at most and
    then come down on the limit.
    """
    y = -log(share)
    for _ in range(_ROUNDS):
        terms = [y**k / factorial(k) for k in range(quantities)]
        total = sum(terms)
        y += (log(total) - y - log(share)) * total / terms[-1]
    return 2 * y
