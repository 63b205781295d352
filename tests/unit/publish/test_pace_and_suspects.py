"""How fast messages leave, and which entry is to blame where the broker does not say."""

from hypothesis import given
from hypothesis import strategies as st

from capture.publish.pace import Pace
from capture.publish.pause import Pause
from capture.publish.suspects import Suspects


@given(steps=st.lists(st.floats(0, 0.5), min_size=1, max_size=200), rate=st.integers(1, 500))
def test_in_any_stretch_no_more_leave_than_the_rate_and_one_burst(steps, rate):
    now, taken = 100.0, []
    pace = Pace(rate, now)
    for step in steps:
        now += step
        while pace.allows(now):
            taken.append(now)
    burst = max(1.0, rate / 10)
    for at, begin in enumerate(taken):
        for many, end in enumerate(taken[at:], start=1):
            assert many <= rate * (end - begin) + burst + 1e-6


def test_the_wait_is_as_long_as_needed():
    pace = Pace(10, 0.0, burst=1)
    assert pace.wait(0.0) == 0
    assert pace.allows(0.0)
    assert abs(pace.wait(0.0) - 0.1) < 1e-9
    assert not pace.allows(0.05)
    assert pace.allows(0.11)


def test_rate_0_is_no_limit():
    pace = Pace(0, 0.0)
    assert all(pace.allows(0.0) for _ in range(10_000))
    assert pace.wait(0.0) == 0


def test_a_pause_allows_one_try_after_its_time():
    pause = Pause(30.0)
    assert pause.allows(0.0)
    pause.begin("why", 100.0)
    assert pause.on
    assert not pause.allows(129.9)
    assert pause.allows(130.0)
    pause.end()
    assert not pause.on
    assert pause.allows(0.0)


def test_an_entry_is_blamed_for_refusals_only_when_another_passed():
    suspects = Suspects()
    assert not any(suspects.refused(7) for _ in range(20))
    suspects.passed(8)
    assert suspects.refused(7)
    suspects.passed(7)
    assert not suspects.refused(7), "it passed: nothing is held against it"


def test_after_a_named_fault_entries_go_one_by_one_until_past_what_was_in_flight():
    suspects = Suspects()
    assert suspects.lost([3, 4, 5], row_fault=True, alone=False) is None
    assert [n for n in range(8) if suspects.careful(n)] == [0, 1, 2, 3, 4]
    assert suspects.lost([4], row_fault=True, alone=True) == 4


def test_losses_at_other_places_each_time_blame_nobody():
    suspects = Suspects()
    for n in range(100):
        assert suspects.lost([n], row_fault=False, alone=True) is None
    assert not suspects.careful(200)


def test_losses_at_the_same_entry_alone_blame_it_in_the_end():
    suspects = Suspects()
    blamed = [suspects.lost([7], row_fault=False, alone=True) for _ in range(5)]
    assert blamed == [None, None, None, None, 7]


def test_a_state_in_flight_beside_it_makes_it_not_alone():
    suspects = Suspects()
    assert not any(suspects.lost([7], row_fault=True, alone=False) for _ in range(20))
