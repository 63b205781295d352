"""Settling, whatever the numbers: what must not matter does not, and what moves is not taken."""

import math

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from capture.jobs.settling import Sample, SettleWatch
from capture.jobs.timing import TimedWatch

RELATIVE = 5e-4
SEEDS = st.integers(0, 2**32 - 1)
STATUSES = st.sampled_from(
    ["ok", "above-range", "below-range", "invalid", "unsettled", "stale", "aborted"]
)
SAMPLES = st.lists(
    st.tuples(
        st.floats(0.0, 3.0),
        st.one_of(st.none(), st.floats(), st.sampled_from([0.8, 0.8001, 0.8002])),
        st.sampled_from(["", "1", "10"]),
        STATUSES,
    ),
    max_size=60,
)


def irregular(rng, count, rate):
    """Give times that come when they come: between a third and twice the interval apart."""
    return np.cumsum(rng.uniform(0.33, 2.0, count)) / rate


def take(times, values, *, contact=True, shift=0.0, scale=1.0):
    """Give the index of the sample that is taken, or None."""
    watch = SettleWatch(RELATIVE)
    if contact:
        watch.feed(Sample(shift + float(times[0]) - 0.25, None, status="above-range"))
    for n, (seconds, value) in enumerate(zip(times, values, strict=True)):
        if watch.feed(Sample(shift + float(seconds), scale * float(value))).settled:
            return n
    return None


def approach(rng, tau, rate, noise, count=120):
    times = irregular(rng, count, rate)
    values = 0.8 + 0.3 * np.exp(-times / tau) + rng.normal(0, noise * RELATIVE * 0.8, count)
    return times, values


APPROACHES = {
    "seed": SEEDS,
    "tau": st.sampled_from([0.05, 0.3, 1.0, 3.0, 8.0]),
    "rate": st.sampled_from([1.0, 2.0, 10.0]),
    "noise": st.floats(0.02, 1.0),
    "contact": st.booleans(),
}


@settings(max_examples=40, deadline=None)
@given(**APPROACHES, shift=st.integers(-1000, 1000))
def test_when_it_was_does_not_matter(seed, tau, rate, noise, contact, shift):
    """Times on a grid of 2⁻²⁰ s, so that the shift is exact."""
    times, values = approach(np.random.default_rng(seed), tau, rate, noise)
    times = np.round(times * 2**20) / 2**20
    assert take(times, values, contact=contact, shift=float(shift)) == take(
        times, values, contact=contact
    )


@settings(max_examples=40, deadline=None)
@given(**APPROACHES, power=st.integers(-30, 30), sign=st.sampled_from([-1, 1]))
def test_the_size_of_the_value_does_not_matter(seed, tau, rate, noise, contact, power, sign):
    """Nor its sign, the uncertainty being a part of it."""
    times, values = approach(np.random.default_rng(seed), tau, rate, noise)
    scaled = take(times, values, contact=contact, scale=sign * 2.0**power)
    assert scaled == take(times, values, contact=contact)


@settings(max_examples=60, deadline=None)
@given(
    seed=SEEDS,
    rate=st.sampled_from([1.0, 2.0, 10.0]),
    less=st.floats(0.01, 1.0),
    times_more=st.floats(1.05, 20.0),
    contact=st.booleans(),
)
def test_more_scatter_of_the_same_kind_never_settles_earlier(seed, rate, less, times_more, contact):
    """The same pattern about the same value, drawn out."""
    rng = np.random.default_rng(seed)
    times = irregular(rng, 150, rate)
    pattern = rng.normal(0, RELATIVE * 0.8, len(times))
    pattern = np.clip(pattern, -3 * RELATIVE * 0.8, 3 * RELATIVE * 0.8)
    quiet = take(times, 0.8 + less * pattern, contact=contact)
    restless = take(times, 0.8 + times_more * less * pattern, contact=contact)
    if restless is not None:
        assert quiet is not None
        # The uncertainty goes with the shown value, so the two limits are not quite the same.
        assert quiet <= restless + 1


@settings(max_examples=60, deadline=None)
@given(
    seed=SEEDS,
    rate=st.sampled_from([1.0, 2.0, 10.0]),
    slope=st.floats(-1, 2).map(lambda power: 10**power),
    falling=st.booleans(),
    noise=st.floats(0.0, 0.5),
    contact=st.booleans(),
)
def test_a_ramp_never_settles(seed, rate, slope, falling, noise, contact):
    """From a tenth of the uncertainty a second: at 30 s, nine times what may be left."""
    rng = np.random.default_rng(seed)
    times = irregular(rng, 200, rate)
    u = RELATIVE * 0.8
    values = 0.8 + (-1 if falling else 1) * slope * u * times + rng.normal(0, noise * u, 200)
    assume((np.abs(values) > 0.2).all())
    if contact:
        # After a touch a ramp that is less than a hundredth of the value in 30 s is not looked for.
        assume(slope * u * 30 > 3 * 0.01 * 0.8)
    assert take(times, values, contact=contact) is None


@settings(max_examples=30, deadline=None)
@given(
    seed=SEEDS,
    exponent=st.floats(0.05, 0.9),
    damp=st.booleans(),
    noise=st.floats(0.0, 1.0),
    contact=st.booleans(),
    rate=st.sampled_from([1.0, 2.0, 10.0]),
)
def test_absorption_never_settles_in_the_first_three_minutes(
    seed, exponent, damp, noise, contact, rate
):
    """R(t) = R(60 s)·(t/60 s)ⁿ; with n = 0.05 the polarization index is 1.12. Rising or falling."""
    rng = np.random.default_rng(seed)
    times = 1.0 + irregular(rng, int(180 * rate), rate)
    times = times[times < 180]
    values = 8.5e8 * (times / 60) ** (-exponent if damp else exponent)
    values *= 1 + rng.normal(0, noise * RELATIVE, len(times))
    assert take(times, values, contact=contact) is None


@settings(max_examples=60, deadline=None)
@given(**APPROACHES)
def test_what_is_taken_is_near_the_end(seed, tau, rate, noise, contact):
    """Within three standard uncertainties at the very most, in any of the runs drawn."""
    times, values = approach(np.random.default_rng(seed), tau, rate, noise)
    taken = take(times, values, contact=contact)
    if taken is not None:
        assert abs(values[taken] - 0.8) < 3 * RELATIVE * 0.8


@settings(deadline=None)
@given(samples=SAMPLES)
def test_any_samples_at_all_give_a_decision_that_holds_together(samples):
    """Nothing raises; a value taken was just shown, well; between two takes the leads were off."""
    watch, now, ready = SettleWatch(RELATIVE), 0.0, True
    for step, value, range_, status in samples:
        before = now
        now += step
        decision = watch.feed(Sample(now, value, None, range_, status))
        assert decision.reason
        assert (decision.value is not None) == decision.settled
        if decision.settled:
            assert ready
            assert status == "ok"
            assert decision.value == value
            ready = False
        fresh = now > before or before == 0.0
        if status != "stale" and fresh and (value is None or not math.isfinite(value)):
            ready = True


@settings(deadline=None)
@given(
    seed=SEEDS,
    values=st.lists(st.floats(0.1, 10.0), max_size=60),
    rate=st.sampled_from([1.0, 2.0, 10.0]),
)
def test_after_a_take_nothing_is_taken_while_the_leads_stay(seed, values, rate):
    times, first = approach(np.random.default_rng(seed), 0.3, rate, 0.05, 60)
    watch = SettleWatch(RELATIVE)
    watch.feed(Sample(float(times[0]) - 0.25, None, status="above-range"))
    decisions = [watch.feed(Sample(float(t), float(v))) for t, v in zip(times, first, strict=True)]
    assert sum(decision.settled for decision in decisions) == 1
    end = float(times[-1])
    for n, value in enumerate(values, 1):
        assert not watch.feed(Sample(end + n / rate, value)).settled


@given(
    gaps=st.lists(st.floats(0.01, 5.0), min_size=1, max_size=80),
    at=st.lists(st.floats(0.5, 100.0), min_size=1, max_size=6, unique=True),
    within=st.floats(0.05, 2.0),
)
def test_every_asked_time_gets_the_nearest_sample_or_is_missed(gaps, at, within):
    """Against a search through all samples."""
    times = [float(t) for t in np.cumsum(gaps)]
    watch = TimedWatch(at, within)
    found = [each for n, t in enumerate(times) for each in watch.feed(t, float(n))]
    found += watch.finish()
    assert sorted([asked for asked, _, _ in found] + watch.missed()) == sorted(at)
    for asked, value, real in found:
        assert real == times[int(value)]
        assert abs(real - asked) == min(abs(t - asked) for t in times)
        assert abs(real - asked) <= within * (1 + 1e-6)
    for asked in watch.missed():
        assert min(abs(t - asked) for t in times) > within
