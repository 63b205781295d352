"""Insulation testers without a count whose display tells seldom, or stands still."""

import pytest
from watched import InsulationTester, applied, taken

from capture.jobs.voltage import Seen, cadence_of
from capture.model import new_id
from capture.model.job import Discharged, Finished, Redone

RESISTANCE = ["resistance-u-v"]


@pytest.fixture
def rewound(bench):
    """A job whose resistance is to be done first, and whose insulation comes later; watched."""
    bench.begin("after-rewind", winding_celsius=22.0)
    bench.watching()
    return bench


def lines(bench, count, every, ohms=8.5e8, **members):
    """Let a display tell so many times, with the time between that goes by on every bench."""
    for n in range(count):
        bench.quiet(every)
        bench.reading("insulation_resistance", ohms(n) if callable(ohms) else ohms, **members)
        bench.follow()


def waits_until(bench):
    """Give the seconds for which the winding has to stay earthed from now on."""
    until = max(each.discharged_until for each in bench.state.applications)
    return (until - bench.clock.utc()).total_seconds()


@pytest.mark.parametrize("every", [4, 5, 20, 60])
@pytest.mark.parametrize("ohms", [8.5e8, lambda n: 8.5e8 + 1e6 * n, None])
def test_lines_that_come_seldom_and_regularly_are_one_test(rewound, every, ohms):
    """Whether they stand still, or move, or are out of range; each was a test of 60 s by itself."""
    rewound.quiet(30)
    lines(rewound, 1 + 600 // every, every, ohms)
    rewound.quiet(3 * every + 5)
    assert max(applied(rewound)) == pytest.approx(600 + 2 * every, abs=1)
    assert waits_until(rewound) > 4 * 600
    assert len(applied(rewound)) <= 7, "not one for each line"


def test_so_they_are_by_a_display_that_says_in_between_that_there_is_no_voltage(rewound):
    """Its cadence is known before the voltage comes, and one line alone is held at once."""
    lines(rewound, 4, 20, None, status="invalid")
    lines(rewound, 1, 20)
    assert "for how long its voltage is on is counted" in rewound.watch.seen.reason
    rewound.quiet(4)
    assert applied(rewound) == [60]
    assert "wait" in rewound.desk.view(rewound.state)["steps"][0]["locks"][0]["words"]
    lines(rewound, 3, 16, None, status="invalid")
    lines(rewound, 3, 20, None, status="invalid")
    assert applied(rewound) == [60]


def test_whoever_moves_a_lead_between_two_lines_is_held_up(rewound):
    """The voltage is on, though the display says so every ten seconds only."""
    lines(rewound, 4, 10)
    rewound.show("resistance", [None, 0.8421])
    assert "ins-1 has a test voltage on the winding" in rewound.watch.seen.reason
    assert taken(rewound) == []


def test_a_line_that_is_left_out_ends_no_test(rewound):
    lines(rewound, 10, 5)
    rewound.quiet(5)
    lines(rewound, 10, 5)
    rewound.quiet(20)
    assert max(applied(rewound)) == pytest.approx(100 + 10, abs=1)


def test_the_wait_begins_at_the_end_though_more_was_written_before(rewound):
    """60 s were written after the first line; it was on for 45 s, and ended later than that."""
    lines(rewound, 10, 5)
    end = rewound.clock.utc()
    rewound.quiet(20)
    last = rewound.state.applications[-1]
    assert last.ended > end
    assert last.seconds == 60


def test_a_start_of_the_program_in_mid_test_shortens_nothing(rewound):
    lines(rewound, 20, 5)
    rewound.reopen()
    rewound.watching()
    lines(rewound, 20, 5)
    rewound.quiet(20)
    assert max(applied(rewound)) == pytest.approx(195 + 10, abs=1)


def test_nothing_is_taken_by_itself_from_such_lines(wet):
    """60 s after the first of them nobody knows when the voltage was reached."""
    lines(wet, 6, 15)
    assert taken(wet) == []
    assert "its lines come 15 s apart, too seldom for a value at its time" in wet.watch.seen.reason


def test_lines_without_a_cadence_are_a_test_each_as_they_were(rewound):
    for gap in (4, 9, 6, 17):
        lines(rewound, 1, gap)
    rewound.quiet(5)
    assert applied(rewound) == [60] * 4


def test_tests_that_a_person_makes_again_and_again_are_no_cadence(rewound):
    for gap in (90, 100, 95):
        lines(rewound, 1, gap)
    rewound.quiet(5)
    assert applied(rewound) == [60] * 3


def test_a_slow_display_that_has_stood_still_since_before_the_job_is_told_and_not_counted(bench):
    """It may show what it found on the machine that lay there before."""
    bench.begin("after-rewind")
    bench.act(Finished())
    bench.watching()
    lines(bench, 10, 5)
    bench.job = new_id()
    bench.begin("after-rewind", winding_celsius=22.0)
    bench.follow()
    lines(bench, 1, 5)
    assert "nobody counts for how long its voltage is on" in bench.watch.seen.reason
    lines(bench, 10, 5)
    bench.quiet(20)
    assert applied(bench) == []
    bench.touch("resistance", 0.8421)
    assert taken(bench) == RESISTANCE


def test_one_that_moves_is_a_voltage_from_there_on(bench):
    bench.begin("after-rewind")
    bench.act(Finished())
    bench.watching()
    lines(bench, 10, 5)
    bench.job = new_id()
    bench.begin("after-rewind", winding_celsius=22.0)
    bench.follow()
    lines(bench, 100, 5)
    assert applied(bench) == []
    lines(bench, 30, 5, lambda n: 8e8 + 1e6 * n)
    bench.quiet(20)
    assert max(applied(bench)) == pytest.approx(145 + 10, abs=1), "from where its digits moved"


def test_a_slow_display_that_goes_on_saying_how_a_test_ended_owes_no_discharge_for_ever(rewound):
    """Two lines are counted before its cadence is known, and none after them."""
    lines(rewound, 30, 5, None, status="breakdown")
    assert applied(rewound) == [60, 60]
    lines(rewound, 50, 5, None, status="breakdown")
    rewound.act(Discharged(step="insulation"))
    lines(rewound, 3, 5, None, status="breakdown")
    rewound.touch("resistance", 0.8421)
    assert taken(rewound) == RESISTANCE


@pytest.mark.parametrize("every", [1, 5])
def test_a_display_that_stands_still_for_long_is_told_as_such(rewound, every):
    lines(rewound, 85 // every, every)
    assert "stood still" not in rewound.watch.seen.reason
    lines(rewound, 20 // every, every)
    said = rewound.watch.seen.reason
    assert "the display of ins-1 has stood still to the last digit for" in said
    assert "counts as voltage as long as it does" in said
    rewound.show("resistance", [None, 0.8421])
    assert "stood still" in rewound.watch.seen.reason, "whoever moves a lead reads it"
    rewound.quiet(20)
    assert max(applied(rewound)) >= 100, "it counts all the same"


def test_one_whose_digits_move_is_not(rewound):
    InsulationTester(rewound, series=False).run(100)
    assert "stood still" not in rewound.watch.seen.reason


def test_one_with_a_count_of_its_own_is_not(rewound):
    InsulationTester(rewound).run(100, ohms=lambda _at: 8.5e8)
    assert "stood still" not in rewound.watch.seen.reason


def test_a_test_of_a_minute_is_not_disturbed_and_one_that_nobody_ends_is_told(wet):
    tester = InsulationTester(wet, series=False)
    tester.run(61, ohms=lambda _at: 8.5e8)
    assert taken(wet) == ["insulation"]
    assert "stood still" not in wet.watch.seen.reason
    tester.run(95, ohms=lambda _at: 8.5e8)
    assert "stood still to the last digit" in wet.watch.seen.reason
    wet.act(Redone(step="insulation", reason="once more"))
    tester.run(97, ohms=lambda _at: 8.5e8)
    assert "stood still to the last digit" in wet.watch.seen.reason


def test_a_step_of_ten_minutes_is_not_disturbed_either(bench):
    bench.begin("insulation-ten-minutes", winding_celsius=22.0)
    bench.watching()
    InsulationTester(bench, series=False).run(300, ohms=lambda _at: None)
    assert bench.watch.seen.reason == "299 s since the voltage was reached"


def test_the_lock_of_a_display_that_is_cleared_opens_by_its_time(rewound):
    lines(rewound, 30, 5)
    lines(rewound, 3, 5, None, status="invalid")
    rewound.quiet(20)
    rewound.clock.advance(waits_until(rewound) + 1)
    rewound.act(Discharged(step="insulation"))
    rewound.follow()
    rewound.touch("resistance", 0.8421)
    assert taken(rewound) == RESISTANCE


def seen_every(bench, *gaps, **members):
    bench.quiet(100)
    for gap in (0, *gaps):
        bench.clock.advance(gap)
        bench.reading("insulation_resistance", 8.5e8, **members)
    row = [each for each in bench.reader.after(0, 1000) if each.kind == "reading"][-1]
    reading = Seen.of(row)
    return cadence_of(reading, bench.service.before(reading.body))


@pytest.mark.parametrize(
    ("gaps", "cadence"),
    [
        ((5, 5), 5),
        ((5, 6), 6),
        ((5, 7), 0),  # by more than a second and a half
        ((1, 1), 0),  # so close that its silence ends a test
        ((3, 3), 0),
        ((600, 600), 600),
        ((601, 601), 0),
        ((5,), 0),
        ((1, 5), 0),
        ((9, 5, 5), 5),  # the newest three count
        ((5, 5, 9), 0),
    ],
)
def test_a_cadence_is_learnt_from_three_lines(bench, gaps, cadence):
    assert seen_every(bench, *gaps) == cadence


def test_a_clock_that_is_set_back_shows_no_cadence(bench):
    bench.quiet(100)
    bench.reading("insulation_resistance", 8.5e8)
    bench.clock.step_utc(-50)
    assert seen_every(bench) == 0


def test_the_lines_of_one_frame_and_of_another_connection_are_none(bench):
    group, session = new_id(), new_id()
    assert seen_every(bench, 0, 0, group=group, session=session) == 0
    assert seen_every(bench, 5, session=new_id()) == 0
