"""What three pairs of rings point to, by hand from phases in star: each pair is the sum of two."""

import pytest

from capture.judging.rings import ring_words
from capture.winding import Bounded, Measured

OPEN = Bounded(bound=2000.0)


def pairs(k_l, l_m, m_k):
    given = {"K-L": k_l, "L-M": l_m, "M-K": m_k}
    return {
        pair: each if isinstance(each, Bounded) else Measured(value=each)
        for pair, each in given.items()
    }


def of_phases(k, l, m):  # noqa: E741 - the ring's own letter
    return pairs(k + l, l + m, m + k)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (of_phases(1, 1, 1.2), "L-M and M-K read more than K-L, and share M: look at ring M"),
        (of_phases(0.8, 1, 1), "K-L and M-K read less than L-M, and share K: look at ring K"),
        (pairs(OPEN, 2.0, OPEN), "K-L and M-K are open and share K: phase K of the rotor is open"),
        (pairs(2.0, OPEN, OPEN), "L-M and M-K are open and share M: phase M of the rotor is open"),
        (pairs(OPEN, 2.0, 2.0), "K-L alone is open while its two rings"),
        (pairs(OPEN, OPEN, OPEN), "all pairs of the rotor are open"),
    ],
)
def test_two_pairs_point_to_the_ring_that_they_share(given, words):
    (said,) = ring_words(given)
    assert said.startswith(words)


@pytest.mark.parametrize(
    "given",
    [
        of_phases(1, 1, 1),
        of_phases(1, 1, 1.02),  # pairs of 2, 2.02, 2.02: a hundredth apart
        of_phases(1, 1.1, 1.2),  # in steps
        {"K-L": Measured(value=1.0), "L-M": OPEN},  # not all three
    ],
)
def test_nothing_is_pointed_to_without_a_reason(given):
    assert ring_words(given) == []
