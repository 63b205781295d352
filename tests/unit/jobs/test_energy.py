"""Stored energy, and when the current must be ramped down before the leads are moved."""

import math

import pytest

from capture.errors import InputError
from capture.jobs.energy import amperes_of, needs_ramp_down, stored_energy


def test_stored_energy_is_half_l_i_squared():
    """By hand: 0.5 · 2 H · (3 A)² = 9 J; the direction of the current does not matter."""
    assert stored_energy(2.0, 3.0) == 9.0
    assert stored_energy(2.0, -3.0) == 9.0
    assert stored_energy(0.0, 3.0) == 0.0


def test_stored_energy_is_what_a_discharge_into_a_resistor_gives_back():
    """∫ i²R dt of i = I·exp(−Rt/L), summed numerically, is the energy."""
    henries, amperes, ohms, steps = 0.35, 4.0, 1.7, 200_000
    end = 20 * henries / ohms
    dt = end / steps
    heat = sum(
        (amperes * math.exp(-ohms * (n + 0.5) * dt / henries)) ** 2 * ohms * dt
        for n in range(steps)
    )
    assert stored_energy(henries, amperes) == pytest.approx(heat, rel=1e-6)


@pytest.mark.parametrize(("henries", "amperes"), [(-1.0, 1.0), (math.nan, 1.0), (1.0, math.inf)])
def test_stored_energy_refuses_what_is_no_inductance_or_current(henries, amperes):
    with pytest.raises(InputError):
        stored_energy(henries, amperes)


@pytest.mark.parametrize(
    ("henries", "amperes", "limit", "direct", "needed", "says"),
    [
        (2.0, 3.0, 8.99, True, True, "above the limit"),
        (2.0, 3.0, 9.0, True, False, "within the limit"),
        (2.0, 3.0, 8.99, False, True, "above the limit"),
        (None, 3.0, 100.0, True, True, "the inductance is not known"),
        (None, None, 100.0, True, True, "neither the inductance nor"),
        (2.0, None, 100.0, True, True, "current is not known"),
        (None, None, 0.0, False, False, "no direct current"),
        (None, 0.0, 0.0, True, False, "no direct current flows"),
        (-0.01, 3.0, 100.0, True, True, "the inductance is not known"),
        (math.nan, 3.0, 100.0, True, True, "the inductance is not known"),
        (math.inf, 3.0, 100.0, True, True, "the inductance is not known"),
        (2.0, math.nan, 100.0, True, True, "current is not known"),
    ],
)
def test_ramp_down_is_needed_above_the_limit_or_where_the_energy_may_be_any(
    henries, amperes, limit, direct, needed, says
):
    answer, words = needs_ramp_down(henries, amperes, limit, direct_current=direct)
    assert answer is needed
    assert says in words


def test_no_words_call_anything_safe_or_dead():
    for henries in (None, 1e-3, 100.0):
        for amperes in (None, 0.0, 1e-3, 10.0):
            for direct in (True, False):
                _, words = needs_ramp_down(henries, amperes, 0.1, direct_current=direct)
                assert not {"safe", "dead"} & set(words.lower().split())
                assert "\n" not in words


@pytest.mark.parametrize("limit", [-1.0, math.nan, math.inf])
def test_a_limit_that_is_none_is_refused(limit):
    with pytest.raises(InputError, match="limit"):
        needs_ramp_down(1.0, 1.0, limit, direct_current=True)


def told(**conditions):
    """A stored reading that was shown under these conditions."""
    return {"conditions": conditions}


@pytest.mark.parametrize(
    ("bodies", "amperes"),
    [
        ([], None),
        ([{}, told(range="2 Ω", current="1 A")], None),
        ([told(test_current={"value": 1.0, "unit": "A"})], 1.0),
        # A step of three pairs, each on a range of its own: the largest leaves the most energy.
        ([told(current={"value": i, "unit": "A"}) for i in (0.1, -10.0, 1.0)], 10.0),
        ([told(current={"value": 5.0, "unit": "V"}), told(current={"value": 2, "unit": "A"})], 2.0),
    ],
)
def test_of_several_currents_the_largest_counts(bodies, amperes):
    assert amperes_of(bodies) == amperes
