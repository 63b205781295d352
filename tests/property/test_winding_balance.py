"""What must hold for any three coils."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.winding import DEFINITIONS, phase_resistances, unbalance

coil = st.floats(0.05, 20)
coils = st.tuples(coil, coil, coil)
scales = st.floats(1e-6, 1e6)


def star_pairs(a, b, c):
    return (a + b, b + c, c + a)


def delta_pairs(x, y, z):
    total = x + y + z
    return (x * (y + z) / total, y * (z + x) / total, z * (x + y) / total)


FORWARD = {"star": star_pairs, "delta": delta_pairs, "open": lambda *values: values}


@pytest.mark.parametrize("connection", FORWARD)
@given(values=coils)
def test_solving_gives_back_what_was_connected(connection, values):
    readings = FORWARD[connection](*values)
    assert phase_resistances(*readings, connection).values == pytest.approx(values, rel=1e-7)


@pytest.mark.parametrize("connection", FORWARD)
@given(values=coils, scale=scales)
def test_the_unit_does_not_matter(connection, values, scale):
    readings = FORWARD[connection](*values)
    solved = phase_resistances(*readings, connection).values
    scaled = phase_resistances(*(scale * reading for reading in readings), connection).values
    assert scaled == pytest.approx([scale * value for value in solved], rel=1e-7)


@pytest.mark.parametrize("connection", FORWARD)
@given(values=coils)
def test_turning_the_phases_turns_the_answer(connection, values):
    uv, vw, wu = FORWARD[connection](*values)
    u, v, w = phase_resistances(uv, vw, wu, connection).values
    assert phase_resistances(vw, wu, uv, connection).values == pytest.approx((v, w, u), rel=1e-7)


@given(values=coils)
def test_swapping_two_terminals_swaps_the_answer(values):
    """U and V change places: in star two phases swap; in delta coils V and W do."""
    uv, vw, wu = star_pairs(*values)
    u, v, w = phase_resistances(uv, vw, wu, "star").values
    assert phase_resistances(uv, wu, vw, "star").values == pytest.approx((v, u, w), rel=1e-7)
    uv, vw, wu = delta_pairs(*values)
    u, v, w = phase_resistances(uv, vw, wu, "delta").values
    assert phase_resistances(uv, wu, vw, "delta").values == pytest.approx((u, w, v), rel=1e-7)


@pytest.mark.parametrize("definition", DEFINITIONS)
@given(values=coils, scale=scales)
def test_unbalance_has_no_unit_and_no_order(definition, values, scale):
    expected = unbalance(values, definition).value
    for order in itertools.permutations(values):
        scaled = unbalance([scale * value for value in order], definition).value
        assert scaled == pytest.approx(expected, rel=1e-9, abs=1e-9)


@given(values=coils)
def test_definitions_keep_their_order(values):
    """For three values 1.5 · mean ≤ span-mean ≤ 2 · mean, and span-max ≤ span-mean ≤ span-min."""
    mean, span, low, high = (unbalance(values, name).value for name in DEFINITIONS)
    assert 1.5 * mean - 1e-9 <= span <= 2 * mean + 1e-9
    assert high - 1e-9 <= span <= low + 1e-9
