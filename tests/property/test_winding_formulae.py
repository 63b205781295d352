"""What must hold for any readings: inverses, units, and the order of phases."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.winding import (
    RULES,
    Bounded,
    InductanceReading,
    Verdict,
    correct_resistance,
    inductance_balance,
    insulation_at_40,
    insulation_curve,
    judge,
    polarization_index,
    pulse_comparison,
    ring,
    rotor_influence,
    series_parallel,
    temperature_from_resistance,
    waveform_difference,
)

ohms = st.floats(1e-4, 1e4)
celsius = st.floats(-20, 180)
zero = st.sampled_from([225, 228, 234.5, 235])
ORDER = [Verdict.PASS, Verdict.CONDITIONAL_PASS, Verdict.CONDITIONAL_FAIL, Verdict.FAIL]


@given(r=ohms, at=celsius, to=celsius, k=zero)
def test_correction_there_and_back(r, at, to, k):
    there = correct_resistance(r, at, to, k)
    assert correct_resistance(there.value, to, at, k).value == pytest.approx(r, rel=1e-12)
    found = temperature_from_resistance(r, there.value, at, k).value
    assert found == pytest.approx(to, abs=1e-9)


@given(h=st.floats(1e-6, 10), r=st.floats(1e-3, 1e5), f=st.floats(1, 1e6))
def test_models_there_and_back(h, r, f):
    there = series_parallel(h, r, f, "series")
    back = series_parallel(there.parallel_henries.value, there.parallel_ohms.value, f, "parallel")
    assert back.series_henries.value == pytest.approx(h, rel=1e-9)
    assert back.series_ohms.value == pytest.approx(r, rel=1e-9)
    assert back.quality.value == pytest.approx(there.quality.value, rel=1e-9)


@given(h=st.floats(1e-6, 10), c=st.floats(1e-12, 1e-3), share=st.floats(0.001, 0.99))
def test_ring_decrement_is_that_of_the_envelope(h, c, share):
    found = ring(h, c, share * 2 * (h / c) ** 0.5)
    assert found.decrement == pytest.approx(1 / (found.hertz * found.envelope_seconds), rel=1e-6)


@given(
    r=st.floats(1e4, 1e12),
    t=st.floats(-10, 120),
    kind=st.sampled_from(["thermoplastic", "thermosetting"]),
)
def test_insulation_correction_scales_and_rises(r, t, kind):
    one = insulation_at_40(r, t, kind).value
    assert insulation_at_40(10 * r, t, kind).value == pytest.approx(10 * one, rel=1e-12)
    assert insulation_at_40(r, t + 1, kind).value > one


times = st.tuples(*[st.floats(50, 150)] * 3)


@given(values=times, scale=st.floats(1e-9, 1e3), turn=st.integers(0, 2))
def test_pulse_comparison_follows_its_pairs(values, scale, turn):
    names = ("U-V", "V-W", "W-U")
    plain = pulse_comparison(dict(zip(names, values, strict=True)), "unknown", "mean")
    turned = values[turn:] + values[:turn]
    scaled = [scale * value for value in turned]
    moved = pulse_comparison(dict(zip(names, scaled, strict=True)), "unknown", "mean")
    assert moved.value == pytest.approx(plain.value, rel=1e-9, abs=1e-9)
    if plain.terminal and min(np.abs(np.diff(sorted(values)))) > 1e-6:
        back = "UVW"[("UVW".index(plain.terminal) - turn) % 3]
        assert moved.terminal in (back, None)


@given(
    value=st.floats(-100, 100),
    limit=st.floats(-100, 100),
    u=st.floats(0, 20),
    rule=st.sampled_from(RULES),
)
def test_sides_mirror_each_other(value, limit, u, rule):
    upper = judge(value, limit, "upper", u, rule)
    lower = judge(-value, -limit, "lower", u, rule)
    assert upper.verdict is lower.verdict
    assert upper.probability == pytest.approx(lower.probability)


@given(
    value=st.floats(-100, 100),
    step=st.floats(0, 50),
    limit=st.floats(-100, 100),
    u=st.floats(0, 20),
)
def test_worse_is_never_judged_better(value, step, limit, u):
    near = judge(value, limit, "upper", u, "non-binary").verdict
    far = judge(value + step, limit, "upper", u, "non-binary").verdict
    assert ORDER.index(far) >= ORDER.index(near)


@given(
    bound=st.floats(-100, 100),
    beyond=st.floats(0, 100),
    limit=st.floats(-100, 100),
    u=st.floats(0, 20),
    side=st.sampled_from(["upper", "lower"]),
    rule=st.sampled_from(["simple", "guarded"]),
)
def test_a_bound_says_what_every_value_beyond_it_says(bound, beyond, limit, u, side, rule):
    said = judge(Bounded(bound=bound), limit, side, u, rule).verdict
    if said is not Verdict.INCONCLUSIVE:
        assert judge(bound + beyond, limit, side, u, rule).verdict is said


@given(st.lists(st.floats(-10, 10), min_size=4, max_size=30), st.floats(0.1, 10))
def test_area_difference_has_no_unit(wave, scale):
    a = [*wave, 1.0]
    b = [*reversed(wave), 0.5]
    plain = waveform_difference(a, b).value
    scaled = waveform_difference([scale * x for x in a], [scale * x for x in b]).value
    assert scaled == pytest.approx(plain, rel=1e-9, abs=1e-9)
    assert waveform_difference(a, a).value == 0


@given(
    ld=st.floats(1e-3, 1e-2),
    more=st.floats(0.05, 1.0),
    start=st.floats(0, 360),
    count=st.integers(5, 20),
)
def test_rotor_fit_gives_back_the_axes_at_any_start(ld, more, start, count):
    lq = ld * (1 + more)
    angles = start + 180 * np.arange(count) / count
    turn = 2 * np.deg2rad(angles)
    pairs = [(ld + lq) + (lq - ld) * np.cos(turn + 2 * np.pi * k / 3) for k in (0, 1, -1)]
    found = rotor_influence(angles, *pairs, 1, "electrical")
    assert (found.direct, found.quadrature) == pytest.approx((ld, lq), rel=1e-6)
    assert found.value == pytest.approx(0, abs=1e-6)


@given(
    leakage=st.floats(1e-12, 1e-6),
    share=st.floats(0.3, 30),
    exponent=st.floats(0.2, 1.8),
    scale=st.floats(0.01, 100),
)
def test_absorption_curve_scales_with_the_resistance(leakage, share, exponent, scale):
    t = np.array([10, 15, 30, 45, 60, 120, 180, 300, 450, 600])
    r = 1 / (leakage * (1 + share * (t / 60) ** -exponent))
    one, other = insulation_curve(t, r), insulation_curve(t, scale * r)
    assert one.ohms_at(100) == pytest.approx(
        1 / (leakage * (1 + share * (100 / 60) ** -exponent)), rel=1e-3
    )
    assert other.ohms_at(100) == pytest.approx(scale * one.ohms_at(100), rel=1e-3)
    index = polarization_index(t, r).value
    assert polarization_index(t, scale * r).value == pytest.approx(index, rel=1e-9)


@given(values=times)
def test_inductance_pairs_are_compared_in_any_order(values):
    names = ("U-V", "V-W", "W-U")
    seen = {
        round(
            inductance_balance(
                {
                    name: InductanceReading(henries=value, ohms=1, hertz=100)
                    for name, value in zip(names, order, strict=True)
                },
                "mean",
            ).inductance.value,
            6,
        )
        for order in itertools.permutations(values)
    }
    assert max(seen) - min(seen) <= 2e-6
