"""Hands-free insulation: taken at its times, and for how long the voltage was on."""

import pytest
from watched import InsulationTester, applied, at_times, racing, taken

from capture.errors import JournalError
from capture.jobs.rules import LockedError
from capture.jobs.state import WATCHER, JobStatus
from capture.jobs.watcher import JobWatch
from capture.journal import StaleError
from capture.model.job import (
    Applied,
    Discharged,
    Finished,
    Noted,
    Overridden,
    Paused,
    Redone,
    Resumed,
    Selected,
    SignedOff,
)


@pytest.mark.parametrize("series", [True, False])
def test_insulation_is_taken_at_its_times(wet, series):
    tester = InsulationTester(wet, series=series)
    tester.run(58)
    assert taken(wet) == []
    tester.run(63)
    assert taken(wet) == ["insulation"]
    assert at_times(wet, tester) == pytest.approx([15, 30, 60], abs=1)
    assert applied(wet) == pytest.approx([61], abs=1.5)


def test_the_time_counts_from_the_moment_at_which_the_voltage_was_reached(wet):
    """It rises for 8 s and stands at the ninth: 60 s after that is the tester's 69."""
    tester = InsulationTester(wet, volts=500, rise=8)
    tester.run(72)
    assert at_times(wet, tester) == [24, 39, 69]


def test_a_voltage_that_stood_at_the_first_line_counts_as_the_tester_counts(wet):
    tester = InsulationTester(wet, volts=500)
    tester.run(62)
    assert at_times(wet, tester) == [15, 30, 60]


def test_a_tester_that_sends_at_its_times_only_is_taken_by_its_own_count(wet):
    """Three lines, at 15, 30 and 60 s: its count is all that there is."""
    tester = InsulationTester(wet)
    for at in (15, 30, 60):
        wet.clock.advance(at - tester.at)
        tester.at = float(at)
        tester.send(1e9)
        wet.follow()
    assert at_times(wet, tester) == [15, 30, 60]


def test_a_start_of_the_program_in_mid_test_loses_no_time(wet):
    """The beginning is read again from the journal: nothing is counted from the first line seen."""
    tester = InsulationTester(wet, volts=500, rise=8)
    tester.run(40)
    wet.reopen()
    wet.watching()
    tester.run(72)
    assert at_times(wet, tester) == [24, 39, 69]


def test_a_start_of_the_program_in_mid_test_without_a_count_loses_no_time(wet):
    tester = InsulationTester(wet, series=False)
    tester.run(40)
    wet.reopen()
    wet.watching()
    tester.run(63)
    assert at_times(wet, tester) == pytest.approx([15, 30, 60], abs=1)


def test_lines_that_came_all_the_time_are_no_beginning(bench):
    """A meter that never stops sending does not say when its voltage came on."""
    bench.begin("insulation-one-minute")
    bench.act(Paused(reason="tea break"))
    bench.watching()
    tester = InsulationTester(bench, series=False)
    tester.run(200)
    bench.act(Resumed())
    tester.run(300)
    assert taken(bench) == []
    assert "the test began before this step did" in bench.watch.seen.reason


def test_a_count_that_is_seen_from_its_middle_is_still_the_testers(bench):
    """The instrument was connected at its 40th second: 15 and 30 s are past."""
    bench.begin("insulation-one-minute")
    bench.watching()
    tester = InsulationTester(bench)
    tester.at = 39.0
    tester.run(70)
    assert taken(bench) == []
    assert "no reading at 15 s, 30 s" in bench.watch.seen.reason


@pytest.mark.parametrize("jump", [-35, 35])
def test_a_clock_that_is_set_in_mid_test_spoils_it(wet, jump):
    """Without a count of the tester's own, 60 s by a clock that was set is any time."""
    tester = InsulationTester(wet, series=False)
    tester.run(20)
    wet.clock.step_utc(jump)
    tester.run(120)
    assert taken(wet) == []
    assert "test again" in wet.watch.seen.reason
    wet.quiet(5)
    assert applied(wet) == pytest.approx([120], abs=2)


def test_a_clock_that_is_set_does_not_trouble_a_tester_with_its_own_count(wet):
    tester = InsulationTester(wet)
    tester.run(20)
    wet.clock.step_utc(-3600)
    tester.run(62)
    assert at_times(wet, tester) == [15, 30, 60]


def test_a_time_without_a_line_is_missed_and_said(wet):
    tester = InsulationTester(wet)
    tester.run(28)
    wet.clock.advance(1.0)
    tester.at += 2.5
    wet.clock.advance(1.5)
    tester.run(70)
    assert taken(wet) == []
    assert "no reading at 30 s; test again" in wet.watch.seen.reason
    wet.quiet(5)
    assert applied(wet) == pytest.approx([70], abs=1.5)


def test_a_breakdown_in_mid_test_is_no_reading_at_a_time(wet):
    tester = InsulationTester(wet)
    tester.run(35)
    tester.run(36, ohms=lambda _at: None, status="breakdown")
    assert "breakdown" in wet.watch.seen.reason
    assert taken(wet) == []
    assert applied(wet) == [36]
    wet.quiet(30)
    assert applied(wet) == [36]


def test_above_range_is_a_reading_like_any_other(wet):
    tester = InsulationTester(wet)
    tester.run(62, ohms=lambda _at: None)
    assert at_times(wet, tester) == [15, 30, 60]


def test_a_voltage_that_stays_on_after_the_take_counts_to_its_end(wet):
    """All steps are taken, and the tester goes on to ten minutes: that is what was applied."""
    tester = InsulationTester(wet)
    tester.run(62)
    assert taken(wet) == ["insulation"]
    assert wet.state.current is None
    tester.run(600)
    wet.quiet(5)
    assert max(applied(wet)) == 600
    wet.act(Redone(step="insulation", reason="longer this time"))
    wet.clock.advance(4 * 600 - 20)
    with pytest.raises(Exception, match="wait 1"):
        wet.act(Discharged(step="insulation"))


@pytest.mark.parametrize(
    ("events", "seconds"),
    [
        ([Paused(reason="tea break")], [50]),
        # Whoever finishes or signs sees what stood on the winding until then, and then the whole.
        ([Finished()], [20, 50]),
        ([Finished(), SignedOff()], [20, 50]),
        ([Noted(text="on the wrong machine", voids=True)], [20, 50]),
    ],
)
def test_a_voltage_is_counted_to_its_end_whatever_becomes_of_the_job(wet, events, seconds):
    tester = InsulationTester(wet)
    tester.run(20)
    for event in events:
        wet.act(event)
    tester.run(50)
    wet.quiet(5)
    assert applied(wet) == seconds


def test_whoever_signs_off_under_voltage_is_told_before(wet):
    tester = InsulationTester(wet)
    tester.run(20)
    wet.act(Finished())
    wet.follow()
    (left,) = wet.desk.view(wet.state)["steps"][0]["after"]
    assert left["name"] == "discharge"
    assert "keep the winding earthed for 80 s more" in left["words"]
    wet.act(SignedOff())
    tester.run(50)
    wet.quiet(5)
    (left,) = wet.desk.view(wet.state)["steps"][0]["after"]
    assert "keep the winding earthed for 19" in left["words"]


def test_a_test_that_nobody_ends_never_waits_its_discharge_out(wet):
    """The step was taken at 60 s, and the tester goes on: there is nothing to confirm meanwhile."""
    tester = InsulationTester(wet)
    for until in (70, 130, 250, 310, 550, 900):
        tester.run(until)
        with pytest.raises(LockedError, match="wait"):
            wet.act(Discharged(step="insulation"))
    wet.quiet(5)
    assert applied(wet) == [60, 180, 540, 900]


@pytest.mark.parametrize("event", [SignedOff(), Noted(text="dusty")])
def test_the_end_of_a_voltage_keeps_nobody_from_going_on(wet, event):
    """Finish is pressed, the watch writes for how long the voltage was on, Sign off is pressed."""
    tester = InsulationTester(wet)
    tester.run(70)
    wet.act(Finished())
    looked_at = wet.state.last
    wet.quiet(5)
    assert wet.state.last > looked_at
    wet.desk.act(wet.job, event, wet.who(), looked_at)
    assert wet.state.last == wet.reader.last_n()
    assert applied(wet) == [60, 70]


def test_the_end_of_a_voltage_in_the_moment_of_signing_off_is_no_matter_either(wet):
    wet.act(Finished())
    looked_at = wet.state.last

    def voltage():
        wet.act(Applied(step="insulation", seconds=10), operator=WATCHER)

    racing(wet, voltage)
    wet.watch._desk.act(wet.job, SignedOff(), wet.who(), looked_at)
    assert wet.state.status is JobStatus.SIGNED_OFF
    assert applied(wet) == [10]


def test_what_a_person_did_meanwhile_is_looked_at_before_signing_off(wet):
    wet.act(Finished())
    looked_at = wet.state.last
    wet.act(Applied(step="insulation", seconds=10), operator=WATCHER)
    wet.act(Applied(step="insulation", seconds=20))
    with pytest.raises(StaleError):
        wet.desk.act(wet.job, SignedOff(), wet.who(), looked_at)


def test_a_discharge_is_confirmed_by_who_knows_how_long_the_voltage_was_on(wet):
    wet.act(Applied(step="insulation", seconds=10))
    looked_at = wet.state.last
    wet.act(Applied(step="insulation", seconds=20), operator=WATCHER)
    wet.clock.advance(1000)
    with pytest.raises(StaleError):
        wet.desk.act(wet.job, Discharged(step="insulation"), wet.who(), looked_at)


def test_a_voltage_while_another_step_is_to_be_done_is_counted_and_not_taken(bench):
    bench.begin("after-rewind")
    bench.watching()
    tester = InsulationTester(bench)
    tester.run(70)
    bench.quiet(5)
    assert taken(bench) == []
    assert applied(bench) == [70]
    bench.touch("resistance", 0.8421)
    assert "discharge the winding" in bench.watch.seen.reason


def test_a_step_that_is_chosen_in_mid_test_is_taken_from_it(bench):
    bench.begin("after-rewind")
    bench.watching()
    tester = InsulationTester(bench, volts=500, rise=3)
    tester.run(20)
    bench.act(Selected(step="insulation"))
    tester.run(66)
    assert taken(bench) == ["insulation"]
    assert at_times(bench, tester) == [19, 34, 64]


def test_a_test_serves_one_attempt(wet):
    """Done again while the voltage is still on: that takes another test."""
    tester = InsulationTester(wet)
    tester.run(62)
    wet.act(Redone(step="insulation", reason="lead fell off"))
    tester.run(200)
    assert taken(wet) == []
    wet.quiet(5)
    wet.act(Overridden(step="insulation", lock="discharge", reason="simulated winding"))
    again = InsulationTester(wet)
    again.run(62)
    assert at_times(wet, again) == [15, 30, 60]


def test_a_test_that_is_broken_off_is_counted_once(wet):
    tester = InsulationTester(wet)
    tester.run(25)
    wet.quiet(30)
    assert applied(wet) == [25]
    wet.act(Overridden(step="insulation", lock="discharge", reason="simulated winding"))
    second = InsulationTester(wet)
    second.run(10)
    third = InsulationTester(wet)
    third.run(5)
    wet.quiet(10)
    assert applied(wet) == [25, 10, 5]


def test_a_voltage_of_more_than_a_day_is_written_down_as_a_day(wet):
    tester = InsulationTester(wet)
    tester.at = 100_000.0
    tester.run(100_002)
    wet.quiet(5)
    assert applied(wet) == [86_400]


def test_a_voltage_that_cannot_be_written_down_now_is_written_later(wet):
    full = [True]

    def append(batch, expecting=None):
        if full[0] and expecting is not None:
            raise JournalError("no room left")
        return wet.append(batch, expecting)

    wet.watch = JobWatch(wet.another_desk(append=append), wet.clock)
    wet.watch.load()
    tester = InsulationTester(wet)
    tester.run(20)
    with pytest.raises(JournalError):
        wet.quiet(5)
    full[0] = False
    wet.follow()
    assert applied(wet) == [20]
