"""What must hold for the suspect of any winding: no unit, no preferred phase."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.winding import Evidence, suspect

PAIRS = ("U-V", "V-W", "W-U")
near = st.floats(0.8, 1.25)
three = st.tuples(near, near, near)
# Each example builds no table of its own, but the first may take its time on a busy machine.
unhurried = settings(deadline=None, max_examples=40)


def evidence(ohms, times, connection):
    return Evidence(
        connection=connection,
        resistance=dict(zip(PAIRS, ohms, strict=True)),
        pulse=dict(zip(PAIRS, times, strict=True)),
        law="rise",
        rotor="out",
    )


@pytest.mark.parametrize("connection", ["star", "delta"])
@unhurried
@given(ohms=three, times=three)
def test_turning_the_phases_turns_the_coil(connection, ohms, times):
    one = suspect(evidence(ohms, times, connection), advise=False)
    turned = evidence(ohms[1:] + ohms[:1], times[1:] + times[:1], connection)
    other = suspect(turned, advise=False)
    assert other.signal == pytest.approx(one.signal, rel=1e-6, abs=1e-9)
    assert other.statement == one.statement
    for first, second in zip(one.candidates, other.candidates, strict=True):
        assert second.probability == pytest.approx(first.probability, rel=1e-5, abs=1e-9)
    if one.detected and one.coil_probability > 0.6:
        back = "UVW"[("UVW".index(one.coils[connection]) - 1) % 3]
        assert other.coils[connection] == back


@unhurried
@given(ohms=three, times=three, scale=st.floats(1e-3, 1e3))
def test_the_unit_does_not_matter(ohms, times, scale):
    plain = evidence(ohms, times, "star")
    scaled = replace(
        plain,
        resistance={pair: scale * value for pair, value in plain.resistance.items()},
        pulse={pair: value / scale for pair, value in plain.pulse.items()},
    )
    one, other = suspect(plain, advise=False), suspect(scaled, advise=False)
    assert other.signal == pytest.approx(one.signal, rel=1e-6, abs=1e-9)
    assert other.statement == one.statement


@unhurried
@given(ohms=three, times=three)
def test_probabilities_are_probabilities(ohms, times):
    found = suspect(evidence(ohms, times, "unknown"), advise=False)
    assert sum(one.probability for one in found.candidates) == pytest.approx(1)
    assert [one.probability for one in found.candidates] == sorted(
        (one.probability for one in found.candidates), reverse=True
    )
