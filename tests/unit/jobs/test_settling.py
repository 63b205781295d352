"""Settling: taken when it is at rest, once a touch; insulation at its times."""

import math
import random

import numpy as np
import pytest

from capture.errors import InputError
from capture.jobs.approach import Profile
from capture.jobs.settling import Sample, SettleWatch
from capture.jobs.timing import TimedWatch
from simulators.physical import PhysicalSpecimen
from simulators.scpi_resistance import ScpiResistanceMeter, ScpiResistanceSettings
from simulators.scpi_syntax import INFINITY
from simulators.winding import Winding
from simulators.winding_faults import DampInsulation

RELATIVE = 5e-4


SOURCE = 0.05


class Bench:
    """A resistance meter on a physical winding, a watch on its display, and a hand at the leads."""

    def __init__(self, winding, *, rate=2.0, noise=2e-5, digits=6, ranges=False):
        settings = ScpiResistanceSettings(rate=rate, noise=noise, source_ohms=SOURCE)
        self.meter = ScpiResistanceMeter(settings, PhysicalSpecimen(winding))
        self.winding, self.rate, self.digits, self.ranges = winding, rate, digits, ranges
        self.noise = random.Random(7)
        self.watch = SettleWatch(RELATIVE)
        self.now = 0.0
        self.taken = []

    def hand(self, line):
        assert self.meter.hand.obey(line, self.now).startswith("ok")

    def shown(self):
        (value,) = self.meter.measure(self.now - 1 / self.rate, self.now, self.noise)
        return None if value == INFINITY else float(f"{value:.{self.digits}g}")

    def wait(self, seconds, *, until_taken=False):
        end = self.now + seconds
        while self.now < end:
            self.now += 1 / self.rate
            value = self.shown()
            range_ = ""
            if self.ranges and value is not None:
                range_ = str(math.ceil(math.log10(abs(value) / 1.2)))
            status = "above-range" if value is None else "ok"
            decision = self.watch.feed(Sample(self.now, value, None, range_, status))
            assert (decision.value is not None) == decision.settled
            if decision.settled:
                assert decision.value == value
                self.taken.append((self.now, value))
                if until_taken:
                    return


def winding_of(tau, ohms=0.4):
    """A star winding whose pair has this L over R with the meter's source in the loop."""
    one = Winding(ohms=ohms, henries=1.0)
    henries = one.impedance("U-V", 0.1).imag / (2 * math.pi * 0.1)
    return Winding(ohms=ohms, henries=tau * (2 * ohms + SOURCE) / henries)


@pytest.mark.parametrize("rate", [1.0, 2.0, 10.0])
@pytest.mark.parametrize("tau", [0.05, 0.3, 1.0, 3.0, 10.0, 30.0])
def test_a_touch_is_taken_within_the_uncertainty_of_the_winding(tau, rate):
    """To 30 s: when the display is within u/3 of the end, and some seconds, it is taken."""
    bench = Bench(winding_of(tau), rate=rate)
    bench.wait(2)
    bench.hand("pair U-V")
    bench.wait(9 * tau + 12, until_taken=True)
    ((_, value),) = bench.taken
    assert value == pytest.approx(0.8, rel=2 * RELATIVE)


@pytest.mark.parametrize("digits", [4, 5])
@pytest.mark.parametrize("tau", [0.3, 3.0, 30.0])
def test_few_digits_still_settle_at_the_end(tau, digits):
    bench = Bench(winding_of(tau, ohms=0.41213), digits=digits, noise=0.0)
    bench.wait(2)
    bench.hand("pair U-V")
    bench.wait(11 * tau + 15, until_taken=True)
    ((_, value),) = bench.taken
    assert value == pytest.approx(0.82426, rel=2 * RELATIVE)


def test_three_pairs_are_three_readings_one_a_touch():
    """However long the leads stay on, and though the pairs are alike."""
    bench = Bench(winding_of(0.5))
    for pair in ("U-V", "V-W", "W-U"):
        bench.wait(3)
        bench.hand(f"pair {pair}")
        bench.wait(60)
        bench.hand("lift")
    assert len(bench.taken) == 3
    for _, value in bench.taken:
        assert value == pytest.approx(0.8, rel=2 * RELATIVE)


def test_a_change_of_range_on_the_way_does_not_take_early():
    bench = Bench(winding_of(3.0), ranges=True, rate=10.0)
    bench.wait(2)
    bench.hand("pair U-V")
    bench.wait(50, until_taken=True)
    ((_, value),) = bench.taken
    assert value == pytest.approx(0.8, rel=2 * RELATIVE)


def test_leads_that_move_to_another_pair_before_it_was_taken_start_again():
    bench = Bench(Winding(ohms=0.4, henries=1e-3, ohm_factors=(1.0, 1.0, 1.1)))
    bench.wait(2)
    bench.hand("pair U-V")
    bench.wait(1)
    bench.hand("pair V-W")
    bench.wait(30)
    ((_, value),) = bench.taken
    assert value == pytest.approx(0.4 * 2.1, rel=2 * RELATIVE)


def test_an_open_pair_is_never_taken():
    bench = Bench(winding_of(0.3))
    bench.wait(60)
    assert bench.taken == []


# ── single rules ─────────────────────────────────────────────────────────────────────────────


def feed_all(watch, values, *, rate=2.0, start=0.0, **given):
    """Feed values; give the time of the take, or None."""
    for n, value in enumerate(values):
        if watch.feed(Sample(start + n / rate, value, **given)).settled:
            return start + n / rate
    return None


def touched(**given):
    watch = SettleWatch(**given)
    watch.feed(Sample(-0.5, None, status="above-range"))
    return watch


@pytest.mark.parametrize("rate", [1.0, 2.0, 10.0])
def test_a_display_that_stands_still_is_taken_in_seconds_after_a_touch(rate):
    assert feed_all(touched(), [0.412345] * 100, rate=rate) <= 5
    assert feed_all(touched(), [0.4123] * 100, rate=rate) <= 8


def test_a_display_that_stands_still_waits_longer_where_the_touch_was_not_seen():
    """One step of 0.1 mΩ can hide a slow end: u is 0.2 mΩ, ln(1 + d/(u/3)) · 30 s is 27 s."""
    took = feed_all(SettleWatch(), [0.4123] * 400)
    assert 30 * math.log(1 + 1e-4 / (RELATIVE * 0.4123 / 3)) <= took < 40


def test_a_last_digit_that_flickers_is_taken():
    rng = random.Random(4)
    values = [rng.choice([0.4123, 0.4123, 0.4124]) for _ in range(60)]
    assert feed_all(touched(), values) is not None


def test_a_display_polled_faster_than_it_measures_is_taken():
    rng = np.random.default_rng(2)
    values = np.repeat(0.8 + rng.normal(0, 1e-4, 100), 5)
    assert feed_all(touched(), map(float, values), rate=10.0) <= 10


def test_a_display_that_scatters_beyond_its_uncertainty_is_not_taken():
    rng = np.random.default_rng(2)
    values = 0.8 * (1 + rng.normal(0, 5 * RELATIVE, 400))
    assert feed_all(touched(), map(float, values)) is None


def test_a_sample_that_stands_off_is_not_the_one_taken():
    """One in ten is off by 1.9 u: it is never the value."""
    rng = np.random.default_rng(3)
    for turn in range(20):
        values = 0.8 + rng.normal(0, 4e-5, 60)
        values[turn % 10 :: 10] += 1.9 * RELATIVE * 0.8
        taken = [s.value for s in map(_feed(touched()), values) if s.settled]
        assert len(taken) == 1
        assert abs(taken[0] - 0.8) < 1.2 * RELATIVE * 0.8


def _feed(watch):
    clock = iter(np.arange(0, 1e4, 0.5))
    return lambda value: watch.feed(Sample(float(next(clock)), float(value)))


def test_the_uncertainty_of_the_sample_goes_before_the_relative_one():
    """A fine instrument waits until a finer rest."""

    def decay(n):
        return [0.8 + 0.4 * math.exp(-k / 2 / 3.0) for k in range(n)]

    coarse = feed_all(touched(), decay(200), standard_uncertainty=1e-3)
    fine = feed_all(touched(), decay(200), standard_uncertainty=1e-6)
    assert coarse < fine
    for took, u in ((coarse, 1e-3), (fine, 1e-6)):
        assert 0.4 * math.exp(-took / 3.0) < u / 3


def test_a_decision_tells_the_time_constant_and_what_is_left():
    """Of a clean approach, both are what it was made with."""
    watch = touched()
    for n in range(20):
        decision = watch.feed(Sample(n / 2, 0.8 + 0.4 * math.exp(-n / 2 / 7.0)))
    assert decision.time_constant == pytest.approx(7.0, rel=0.01)
    assert decision.remaining == pytest.approx(0.4 * math.exp(-9.5 / 7.0), rel=0.02)
    assert not decision.settled


def test_less_than_two_time_constants_are_not_believed():
    """An uncertainty larger than the whole change would let it pass at once; it is seen longer."""
    values = [1.0 - 0.1 * math.exp(-n / 10 / 4.0) for n in range(200)]
    took = feed_all(touched(), values, rate=10.0, standard_uncertainty=0.15)
    assert 2 * 4.0 * 0.95 <= took < 10


def test_after_a_jump_the_touch_counts_as_not_seen():
    """The leads went to another pair between two samples: where that began is not known."""
    watch = touched()
    assert feed_all(watch, [0.4123] * 6) is None
    assert feed_all(watch, [0.4323] * 400, start=3.0) > 25


def test_samples_that_follow_each_other_widen_the_uncertainty():
    """A first-order process of ρ = 0.6 makes the factor √(1.6/0.4) = 2."""
    rng = np.random.default_rng(5)
    values = np.zeros(2000)
    for n in range(1, 2000):
        values[n] = 0.6 * values[n - 1] + rng.normal()
    profile = Profile(np.arange(2000.0), 1e3 + values, np.ones(2000), 30.0)
    assert profile._correlation() == pytest.approx(2.0, rel=0.1)
    white = Profile(np.arange(2000.0), rng.normal(1e3, 1, 2000), np.ones(2000), 30.0)
    assert white._correlation() == pytest.approx(1.0, abs=0.06)


@pytest.mark.parametrize("status", ["live-voltage", "breakdown", "aborted"])
def test_a_bad_status_starts_again(status):
    watch = touched()
    assert feed_all(watch, [0.8123] * 5) is None
    assert not watch.feed(Sample(3.0, 0.8123, status=status)).settled
    assert not watch.feed(Sample(3.5, 0.8123)).settled


def test_what_the_instrument_calls_unsettled_is_not_taken():
    assert feed_all(touched(), [0.81234] * 100, status="unsettled") is None


def test_stale_samples_do_not_count():
    watch = touched()
    assert feed_all(watch, [0.81234] * 500, status="stale") is None
    assert not watch.feed(Sample(300.0, 0.81234)).settled


@pytest.mark.parametrize(
    "lifted",
    [
        Sample(100.0, None, status="above-range"),
        Sample(100.0, None, status="invalid"),
        Sample(100.0, math.nan),
        Sample(100.0, math.inf),
    ],
)
def test_lifting_the_leads_readies_the_watch_for_the_next_touch(lifted):
    watch = touched()
    assert feed_all(watch, [0.81234] * 20) is not None
    assert feed_all(watch, [0.81234] * 20, start=20.0) is None
    watch.feed(lifted)
    assert feed_all(watch, [0.81234] * 20, start=101.0) is not None


def test_reset_lets_the_same_touch_be_taken_again():
    watch = touched()
    assert feed_all(watch, [0.81234] * 20) is not None
    watch.reset()
    assert feed_all(watch, [0.81234] * 20, start=20.0) is not None


def test_a_jump_after_the_take_is_not_another_touch():
    watch = touched()
    assert feed_all(watch, [0.81234] * 20) is not None
    assert feed_all(watch, [0.92345] * 200, start=20.0) is None


def test_samples_that_go_back_in_time_change_nothing():
    watch = touched()
    watch.feed(Sample(10.0, 0.8))
    assert feed_all(watch, [5.0] * 15, start=1.0) is None
    assert feed_all(watch, [0.80001] * 20, start=11.0) is not None


def test_zero_has_no_relative_uncertainty_and_is_not_taken():
    assert feed_all(touched(), [0.0] * 100) is None


def test_what_is_held_is_bounded():
    """However long a restless display is watched, some hundred points are held."""
    watch = SettleWatch()
    rng = random.Random(1)
    for n in range(4000):
        watch.feed(Sample(n / 20, rng.uniform(0.5, 1.0)))
        assert len(watch._points) <= 401


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_parameters_that_make_no_sense_are_refused(bad):
    with pytest.raises(InputError):
        SettleWatch(relative_uncertainty=bad)
    with pytest.raises(InputError):
        SettleWatch(longest_time_constant=bad)
    with pytest.raises(InputError):
        TimedWatch([60.0], bad)
    with pytest.raises(InputError):
        TimedWatch([60.0, bad])


# ── insulation ───────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("faults", [(), (DampInsulation(),)])
def test_insulation_never_settles_in_its_first_ten_minutes(faults):
    winding = Winding(faults=faults)
    values = [float(f"{winding.insulation_ohms(1 + n / 2):.4g}") for n in range(1200)]
    assert feed_all(SettleWatch(), values[:600]) is None
    assert feed_all(touched(), values[:600]) is None
