"""Values at set times after the voltage was reached; and when that was."""

import math

import pytest

from capture.errors import InputError
from capture.jobs.timing import TimedWatch, voltage_reached
from simulators.specimen import ThreePhase


def test_insulation_is_taken_at_one_and_ten_minutes_after_the_voltage_was_reached():
    """The polarization index that the simulator is made with, 10^0.45, comes out."""
    specimen = ThreePhase(absorption=0.45)
    rise, begin = 1.2, 3.0
    seconds = [n * 0.7 for n in range(1000)]
    volts = [(t, 500 * (1 - math.exp(-max(0.0, t - begin) / rise))) for t in seconds]
    reached = voltage_reached(volts, 500)
    assert begin + rise * math.log(20) <= reached < begin + rise * math.log(20) + 0.7
    watch = TimedWatch((60.0, 600.0))
    found = []
    for t in seconds:
        found += watch.feed(t - reached, specimen.insulation_ohms(t - reached))
    assert [at for at, _, _ in found] == [60.0, 600.0]
    assert all(abs(real - at) <= 0.35 + 1e-9 for at, _, real in found)
    assert found[1][1] / found[0][1] == pytest.approx(10**0.45, rel=0.005)
    assert watch.missed() == []


def test_the_nearest_sample_is_taken_before_or_after_its_time():
    watch = TimedWatch((60.0,))
    assert watch.feed(59.6, 1.0) == []
    assert watch.feed(60.5, 2.0) == [(60.0, 1.0, 59.6)]
    watch = TimedWatch((60.0,))
    assert watch.feed(59.4, 1.0) == []
    assert watch.feed(60.5, 2.0) == [(60.0, 2.0, 60.5)]
    assert watch.feed(60.6, 3.0) == []


def test_of_two_as_near_the_earlier_is_taken():
    watch = TimedWatch((60.0,))
    watch.feed(59.5, 1.0)
    assert watch.feed(60.5, 2.0) == [(60.0, 1.0, 59.5)]


def test_the_tolerance_holds_on_its_edge_and_not_beyond():
    assert TimedWatch((60.0,)).feed(61.0, 2.0) == [(60.0, 2.0, 61.0)]
    watch = TimedWatch((60.0,))
    assert watch.feed(61.01, 2.0) == []
    assert watch.missed() == [60.0]
    watch = TimedWatch((60.0,), 0.1)
    watch.feed(59.9, 1.0)
    assert watch.feed(60.3, 2.0) == [(60.0, 1.0, 59.9)]


def test_a_sample_out_of_range_is_a_sample():
    assert TimedWatch((60.0,)).feed(60.0, None) == [(60.0, None, 60.0)]


def test_several_times_may_fall_to_one_sample():
    watch = TimedWatch((60.0, 59.5, 300.0))
    assert watch.feed(60.2, 5.0) == [(59.5, 5.0, 60.2), (60.0, 5.0, 60.2)]
    assert watch.feed(400.0, 6.0) == []
    assert watch.missed() == [300.0]


def test_times_that_passed_in_silence_are_missed():
    watch = TimedWatch((30.0, 60.0))
    watch.feed(29.5, 1.0)
    assert watch.missed() == []
    assert watch.missed(60.9) == []
    assert watch.missed(61.1) == [60.0]
    assert watch.feed(31.2, 1.0) == [(30.0, 1.0, 29.5)]


def test_a_test_that_ended_just_before_its_time_has_its_last_sample_taken():
    watch = TimedWatch((30.0, 60.0, 600.0))
    assert watch.feed(59.4, 1.0) == []
    assert watch.finish() == [(60.0, 1.0, 59.4)]
    assert watch.missed() == [30.0, 600.0]
    assert TimedWatch((30.0,)).finish() == []


def test_a_sample_that_goes_back_in_time_decides_nothing():
    watch = TimedWatch((60.0,))
    watch.feed(59.0, 1.0)
    assert watch.feed(10.0, 7.0) == []
    assert watch.feed(math.nan, 7.0) == []
    assert watch.feed(62.0, 2.0) == [(60.0, 1.0, 59.0)]


def test_the_count_begins_anew_after_the_voltage_broke_down():
    volts = [(0, 0), (1, 480), (2, 500), (3, 20), (4, 300), (5, 478), (6, 500)]
    assert voltage_reached(volts, 500) == 5
    assert voltage_reached(volts[:3], 500) == 1
    assert voltage_reached(volts[:4], 500) == 1


def test_a_voltage_that_breathes_a_little_is_still_reached():
    assert voltage_reached([(1, 476), (2, 470), (3, 480)], 500) == 1


def test_a_negative_test_voltage_is_reached_as_well():
    assert voltage_reached([(1, -100), (2, -499)], 500) == 2
    assert voltage_reached([(1, -100), (2, -499)], -500) == 2


def test_a_voltage_that_was_never_reached_gives_no_time():
    assert voltage_reached([], 500) is None
    assert voltage_reached([(0, 0), (1, 474)], 500) is None
    assert voltage_reached([(0, 0), (1, 474)], 500, 0.9) == 1


@pytest.mark.parametrize(("nominal", "share"), [(0, 0.95), (500, 0), (500, 1.1), (math.nan, 0.9)])
def test_a_nominal_voltage_that_makes_no_sense_is_refused(nominal, share):
    with pytest.raises(InputError):
        voltage_reached([(0, 0)], nominal, share)
