"""Hands-free capture: one touch one reading, insulation at its times, and a thread that lives."""

import threading

import pytest

from capture.clock import SystemClock
from capture.errors import JournalError
from capture.jobs.desk import Desk
from capture.jobs.following import JobWatcher
from capture.jobs.service import WATCHER
from capture.jobs.state import JobStatus, StepStatus
from capture.jobs.watcher import JobWatch
from capture.journal import StaleError, Writer
from capture.model import new_id
from capture.model.job import (
    Applied,
    ConditionsChanged,
    Discharged,
    Finished,
    JobConditions,
    Noted,
    Overridden,
    Paused,
    Redone,
    Refused,
    Resumed,
    Selected,
    SignedOff,
)

U_V, V_W, W_U = "inductance-u-v", "inductance-v-w", "inductance-w-u"


@pytest.fixture
def coils(bench):
    """A job of three inductances, nothing in its way, watched."""
    bench.begin("three-pair-inductance")
    bench.watching()
    return bench


def steady(value, count=12):
    return [value * (1 + 2e-5 * (-1) ** n) for n in range(count)]


def taken(bench):
    """List the steps that are taken, in order."""
    return [id_ for id_, each in bench.state.steps.items() if each.status is StepStatus.TAKEN]


# ── touches ──────────────────────────────────────────────────────────────────────────────────


def test_one_touch_is_one_reading(coils):
    """The display goes on standing still; the next step waits for the leads to be lifted."""
    coils.touch("inductance", 0.0623)
    assert taken(coils) == [U_V]
    assert len(coils.step(U_V).readings) == 1
    assert coils.step(U_V).how == "settled"
    coils.show("inductance", steady(0.0623, 200))
    assert taken(coils) == [U_V]
    assert "lift the leads" in coils.watch.seen.reason
    coils.touch("inductance", 0.0621)
    coils.touch("inductance", 0.0622)
    assert taken(coils) == [U_V, V_W, W_U]
    assert coils.watch.seen.reason == "no job is running"


def test_the_leads_that_lay_on_before_the_step_are_no_touch(bench):
    bench.show("inductance", steady(0.0623))
    bench.begin("three-pair-inductance")
    bench.watching()
    bench.show("inductance", steady(0.0623, 100))
    assert taken(bench) == []
    bench.touch("inductance", 0.0623)
    assert taken(bench) == [U_V]


def test_open_leads_that_are_stored_once_begin_the_next_touch(bench):
    """A polled meter's equal answers are one reading: the leads were open before the job began."""
    bench.begin("three-pair-inductance")
    bench.act(Paused(reason="tea break"))
    bench.watching()
    bench.show("inductance", [None])
    bench.act(Resumed())
    bench.show("inductance", steady(0.0623))
    assert taken(bench) == [U_V]


def test_a_display_that_stands_still_and_sends_nothing_is_left_to_a_person(coils):
    """Equal answers of a polled meter are stored once: too few to see that it has settled."""
    coils.show("inductance", [None, 0.0624, 0.0623])
    coils.quiet(4)
    assert "nothing new" not in coils.watch.seen.reason
    coils.quiet(2)
    assert "nothing new from lcr-1" in coils.watch.seen.reason
    assert "measures_every_s" in coils.watch.seen.reason
    coils.take(U_V, coils.desk.newest(coils.job, U_V))
    coils.quiet(10)
    assert "nothing new" not in coils.watch.seen.reason


def test_open_leads_that_send_nothing_are_waited_for_in_silence(coils):
    coils.show("inductance", [0.0623, None])
    coils.quiet(10)
    assert "nothing new" not in coils.watch.seen.reason


def test_what_stands_beside_the_value_is_taken_with_it(coils):
    coils.show("inductance", [None])
    for _ in range(12):
        coils.clock.advance(0.5)
        pair = coils.pair("U-V", henries=62.317e-3)
        coils.follow()
    held = coils.step(U_V).readings
    assert [coils.reader.entry(id_).subject for id_ in held] == ["inductance", "resistance"]
    assert held[0] < pair[0]


@pytest.mark.parametrize(
    ("count", "every"), [(3, 0.5), (4, 5.0), (20, 0.02)], ids=["few", "slow", "quick slip"]
)
def test_a_slip_of_the_leads_is_no_touch(coils, count, every):
    """Fewer than five samples, or less than a second: nothing is taken."""
    coils.show("inductance", [None])
    coils.show("inductance", steady(0.0623, count), every=every)
    coils.show("inductance", [None])
    assert taken(coils) == []


def test_a_value_that_still_moves_is_waited_for(coils):
    """τ = 2 s: it is taken near its end, within the display's uncertainty."""
    coils.show("inductance", [None])
    coils.show("inductance", [0.06 * (1 + 0.5 * 2.718281828 ** (-n / 4)) for n in range(60)])
    assert taken(coils) == [U_V]
    held = coils.service.readings_of(coils.state)[coils.step(U_V).readings[0]]
    assert held["value"] == pytest.approx(0.06, rel=5e-4)


def test_a_restless_display_is_never_taken(coils):
    coils.show("inductance", [None])
    coils.show("inductance", [0.0623 * (1 + 0.01 * (-1) ** n) for n in range(60)])
    assert taken(coils) == []
    assert "restless" in coils.watch.seen.reason


def test_a_range_change_starts_again(coils):
    """Four samples on one range and four on the next are not eight."""
    coils.show("inductance", [None])
    coils.show("inductance", steady(0.0623, 4), conditions={"range": "100 mH"})
    coils.show("inductance", steady(0.0624, 4), conditions={"range": "1 H"})
    assert taken(coils) == []
    coils.show("inductance", steady(0.0624), conditions={"range": "1 H"})
    assert taken(coils) == [U_V]


@pytest.mark.parametrize("value", [-0.0623, 0.0])
def test_a_value_that_is_not_above_zero_is_not_taken(coils, value):
    """A bridge past the winding's resonance shows less than zero."""
    coils.touch("inductance", value or 1e-15, count=2)
    coils.show("inductance", [value] * 40)
    assert taken(coils) == []


def test_values_shown_again_never_settle(coils):
    coils.show("inductance", [None])
    coils.show("inductance", steady(0.0623, 40), status="stale")
    assert taken(coils) == []


@pytest.mark.parametrize("status", ["unsettled", "live-voltage", "aborted"])
def test_what_the_instrument_itself_doubts_is_not_taken(coils, status):
    coils.show("inductance", [None])
    coils.show("inductance", steady(0.0623, 40), status=status)
    assert taken(coils) == []


def test_of_two_instruments_each_is_watched_by_itself(coils):
    """Samples of both in turn: neither disturbs the other, and the one that settles is taken."""
    coils.show("inductance", [None], instrument="lcr-1")
    coils.show("inductance", [None], instrument="lcr-2")
    for n, value in enumerate(steady(0.0623)):
        coils.show("inductance", [value], every=0.25, instrument="lcr-1")
        coils.show("inductance", [0.09 * 1.01**n], every=0.25, instrument="lcr-2")
    assert taken(coils) == [U_V]
    held = coils.step(U_V).readings[0]
    assert coils.reader.entry(held).instrument == "lcr-1"


def test_the_instrument_of_the_step_is_the_one_that_counts(bench):
    text = (
        "schema_version=1\nname='x'\ntitle='X'\n[[steps]]\nid='a'\ntitle='A'\npoints=['U-V']\n"
        "quantity='inductance'\ninstrument='lcr-2'\n"
    )
    bench.begin(text)
    bench.watching()
    bench.touch("inductance", 0.0623, instrument="lcr-1")
    assert taken(bench) == []
    bench.touch("inductance", 0.0623, instrument="lcr-2")
    assert taken(bench) == ["a"]


def test_a_bridges_ohms_are_no_direct_current_reading(bench):
    """They stand beside its inductance and carry their frequency."""
    bench.begin("three-pair-resistance")
    bench.watching()
    at = {"frequency": {"value": 1000, "unit": "Hz"}}
    bench.touch("resistance", 0.83, instrument="lcr-1", conditions=at)
    assert taken(bench) == []
    bench.touch("resistance", 0.83)
    assert taken(bench) == ["resistance-u-v"]


def test_a_locked_step_is_not_taken_and_says_why(bench):
    bench.begin("three-pair-resistance")
    bench.watching()
    bench.touch("resistance", 0.8421)
    bench.touch("resistance", 0.8423)
    assert taken(bench) == ["resistance-u-v"]
    assert "ramp the meter's current down" in bench.watch.seen.reason
    bench.ramped_down("resistance-u-v")
    bench.touch("resistance", 0.8423)
    assert taken(bench) == ["resistance-u-v", "resistance-v-w"]


# ── people beside it ─────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "event",
    [
        Redone(step=U_V, reason="clip slipped"),
        Refused(step=V_W, reading=new_id(), reason="wrong terminals"),
        Selected(step=W_U),
    ],
)
def test_whatever_opens_a_step_anew_asks_for_a_new_touch(coils, event):
    """The leads stay on: what they sit on was for something else."""
    coils.touch("inductance", 0.0623)
    coils.act(event)
    coils.show("inductance", steady(0.0623, 100))
    assert taken(coils) == ([] if isinstance(event, Redone) else [U_V])
    coils.touch("inductance", 0.0622)
    assert len(taken(coils)) == (1 if isinstance(event, Redone) else 2)


def test_a_paused_job_takes_nothing_and_goes_on_with_a_new_touch(coils):
    coils.act(Paused(reason="tea break"))
    coils.touch("inductance", 0.0623)
    assert taken(coils) == []
    coils.act(Resumed())
    coils.show("inductance", steady(0.0623, 60))
    assert taken(coils) == []
    coils.touch("inductance", 0.0623)
    assert taken(coils) == [U_V]


def racing(bench, act):
    """Let somebody act just before the watch writes; gives how often that was."""
    done = []

    def late(batch, expecting=None):
        if expecting is not None and expecting.kind == "job" and not done:
            done.append(1)
            act()
        return bench.append(batch, expecting)

    desk = bench.another_desk(append=late)
    bench.cursor = bench.reader.last_n()
    bench.watch = JobWatch(desk, bench.clock)
    bench.watch.load()
    return done


def test_a_person_who_takes_first_has_taken_it(coils):
    """The watch writes too late, and its reading does not become that of the next step."""
    raced = racing(coils, lambda: coils.take(U_V, coils.desk.newest(coils.job, U_V)))
    coils.touch("inductance", 0.0623, count=60)
    assert raced
    assert taken(coils) == [U_V]
    assert coils.step(U_V).how == "operator"
    coils.touch("inductance", 0.0622)
    assert taken(coils) == [U_V, V_W]


def test_a_note_that_comes_between_costs_nothing(coils):
    """What is to be done is the same: the same touch is taken at once."""
    raced = racing(coils, lambda: coils.act(Noted(text="dusty")))
    coils.touch("inductance", 0.0623, count=8)
    assert raced
    assert taken(coils) == [U_V]


def test_the_job_that_was_worked_on_last_is_the_one(coils):
    first = coils.job
    coils.job = new_id()
    coils.begin("three-pair-inductance")
    coils.follow()
    coils.touch("inductance", 0.0623)
    assert taken(coils) == [U_V]
    second, coils.job = coils.job, first
    assert taken(coils) == []
    coils.act(Noted(text="back to this one"))
    coils.touch("inductance", 0.0623)
    assert taken(coils) == [U_V]
    coils.job = second
    assert taken(coils) == [U_V]


# ── clocks, restarts, failures ───────────────────────────────────────────────────────────────


@pytest.mark.parametrize("jump", [-3600, -2.5, 2.5, 3600])
def test_a_clock_that_is_set_neither_takes_nor_blocks(coils, jump):
    """Times before and after do not compare; the touch goes on by those after."""
    coils.show("inductance", [None])
    coils.show("inductance", steady(0.0623, 4))
    coils.clock.step_utc(jump)
    coils.show("inductance", [0.0623])
    assert taken(coils) == []
    coils.show("inductance", steady(0.0623, 400))
    assert taken(coils) == [U_V]


def test_a_start_in_the_middle_of_a_touch_takes_nothing_of_it(coils):
    coils.show("inductance", [None])
    coils.show("inductance", steady(0.0623, 4))
    coils.reopen()
    coils.watching()
    coils.show("inductance", steady(0.0623, 100))
    assert taken(coils) == []
    assert "lift the leads" in coils.watch.seen.reason
    coils.touch("inductance", 0.0623)
    assert taken(coils) == [U_V]


def test_a_full_disk_costs_time_and_no_reading(coils):
    """The take fails once; the same touch is taken when the journal can be written again."""
    full = [True]

    def append(batch, expecting=None):
        if expecting is not None and expecting.kind == "job" and full[0]:
            full[0] = False
            raise JournalError("no room left")
        return coils.append(batch, expecting)

    coils.watch = JobWatch(coils.another_desk(append=append), coils.clock)
    coils.watch.load()
    coils.show("inductance", [None])
    failed = 0
    for value in steady(0.0623, 400):
        try:
            coils.show("inductance", [value])
        except JournalError:
            failed += 1
    assert failed == 1
    assert taken(coils) == [U_V]


def test_results_that_a_crash_left_out_are_stored_at_the_start(bench, monkeypatch):
    bench.begin("three-pair-inductance")
    for step in (U_V, V_W, W_U):
        monkeypatch.setattr(bench.desk.results, "update", lambda *_: None)
        bench.take(step, bench.pair(step))
    monkeypatch.undo()
    assert bench.count("result") == 0
    bench.watching()
    stored = bench.count("result")
    assert stored > 0
    bench.watching()
    assert bench.count("result") == stored


def test_jobs_whose_results_are_stored_are_not_computed_again_at_the_start(bench, monkeypatch):
    """A thousand finished jobs must not hold up the first touch of the morning."""
    bench.begin("three-pair-inductance")
    for step in (U_V, V_W, W_U):
        bench.take(step, bench.pair(step))
    bench.act(Finished())
    asked = []
    monkeypatch.setattr(bench.desk.results, "update", lambda *given: asked.append(given))
    bench.watching()
    assert asked == []


# ── insulation ───────────────────────────────────────────────────────────────────────────────


class InsulationTester:
    """An insulation tester: a line each second, with or without its voltage and its own count."""

    def __init__(self, bench, *, series=True, volts=None, rise=0.0):
        self.bench = bench
        self.series = new_id() if series else None
        self.volts = volts
        self.rise = rise
        self.at = 0.0
        self.ids = {}

    def run(self, until, ohms=lambda at: 1e9 * (at / 60) ** 0.4, every=1.0, **members):
        """Send lines until so many seconds of the test."""
        while self.at + every <= until + 1e-9:
            self.at += every
            self.bench.clock.advance(every)
            self.send(ohms(self.at), **members)
            self.bench.follow()

    def send(self, ohms, **members):
        told = {} if self.series is None else {"series": {"id": self.series, "elapsed": self.at}}
        group = {"group": new_id(), "session": new_id()}
        batch = []
        if self.volts is not None:
            part = 1.0 if self.at > self.rise else 0.9 * self.at / (self.rise + 1)
            batch.append(self.bench.draft("test_voltage", self.volts * part, **told, **group))
        batch.append(self.bench.draft("insulation_resistance", ohms, **told, **group, **members))
        self.bench.append(batch)
        self.ids[self.at] = batch[-1].id


@pytest.fixture
def wet(bench):
    """A job of one insulation step (15, 30 and 60 s), watched."""
    bench.begin("insulation-one-minute", winding_celsius=22.0)
    bench.watching()
    return bench


def at_times(bench, tester):
    """Give the tester's own seconds of the readings that the step holds."""
    known = {id_: at for at, id_ in tester.ids.items()}
    return [known[id_] for id_ in bench.step("insulation").readings]


def applied(bench):
    return [each.seconds for each in bench.state.applications]


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


@pytest.mark.parametrize("event", [Paused(reason="tea break"), Finished()])
def test_a_voltage_is_counted_to_its_end_whatever_becomes_of_the_job(wet, event):
    tester = InsulationTester(wet)
    tester.run(20)
    wet.act(event)
    tester.run(50)
    wet.quiet(5)
    assert applied(wet) == [50]


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


# ── the thread ───────────────────────────────────────────────────────────────────────────────


class Live:
    """The thread over a journal that a writer fills, in real time."""

    def __init__(self, bench, wrap=lambda watch: watch, on_change=lambda: None):
        self.bench = bench
        self.clock = SystemClock()
        self.writer = Writer(bench.path, self.clock, self.wake)
        self.writer.start()
        self.watcher = None
        self.watcher = JobWatcher(bench.path, self.make, self.clock, on_change)
        self.wrap = wrap

    def wake(self):
        if self.watcher is not None:
            self.watcher.wake()

    def make(self, reader):
        desk = Desk(reader, self.writer.append, self.clock, "sawmill", "bench-1")
        return self.wrap(JobWatch(desk, self.clock))

    def stop(self):
        assert self.watcher.stop(10)
        assert self.writer.stop(10)


@pytest.fixture
def live(bench):
    """Make such a thread; it is stopped when the test is over."""
    made = []

    def make(**more):
        made.append(Live(bench, **more))
        return made[-1]

    yield make
    for each in made:
        each.stop()


def test_the_thread_starts_sees_and_ends(bench, live, wait_until):
    one = live()
    bench.begin("three-pair-inductance")
    one.watcher.start()
    wait_until(lambda: one.watcher.seen.step == U_V)
    one.writer.append([bench.draft("inductance", None, time=one.clock.utc())])
    wait_until(lambda: "leads are off" in one.watcher.seen.reason)
    assert one.watcher.stop(10)
    assert "job-watcher" not in [thread.name for thread in threading.enumerate()]


def test_a_thread_that_never_ran_is_stopped_at_once(bench, live):
    assert live().watcher.stop(0)


def test_an_odd_entry_does_not_end_hands_free_capture(bench, live, wait_until):
    """Foreign bytes under `job` and `reading`, and a listener that fails: it goes on."""

    def fails():
        raise RuntimeError("a listener's own failure")

    bench.begin("three-pair-inductance")
    one = live(on_change=fails)
    one.watcher.start()
    wait_until(lambda: one.watcher.seen.step == U_V)
    insert = "INSERT INTO entries (id, kind, subject, instrument, body, hash) VALUES (?,?,?,?,?,?)"
    for kind in ("job", "reading", "unheard-of"):
        odd = (new_id().bytes, kind, "inductance", "lcr-1", b'{"odd": 1}', b"x" * 32)
        bench.store._connection.execute(insert, odd)
    one.writer.append([bench.draft("inductance", None, time=one.clock.utc())])
    wait_until(lambda: "leads are off" in one.watcher.seen.reason)


def test_an_odd_job_in_the_file_does_not_keep_the_thread_from_starting(bench, live, wait_until):
    bench.begin("three-pair-inductance")
    insert = "INSERT INTO entries (id, kind, subject, body, hash) VALUES (?, 'job', ?, ?, ?)"
    odd = (new_id().bytes, str(new_id()), b'{"odd": 1}', b"x" * 32)
    bench.store._connection.execute(insert, odd)
    one = live()
    one.watcher.start()
    wait_until(lambda: one.watcher.seen.step == U_V)


def test_a_journal_that_cannot_be_read_at_first_is_tried_again(bench, live, wait_until):
    bench.begin("three-pair-inductance")
    failed = []

    def wrap(watch):
        load = watch.load

        def once():
            if not failed:
                failed.append(1)
                raise JournalError("locked by a backup")
            load()

        watch.load = once
        return watch

    one = live(wrap=wrap)
    one.watcher.start()
    wait_until(lambda: one.watcher.seen.step == U_V)


def test_an_entry_is_seen_once_though_another_one_fails(bench, live, wait_until):
    """After a failure the thread goes on from the entry that failed, not from the page's first."""
    bench.begin("three-pair-inductance")
    seen, failures = [], [2]

    def wrap(watch):
        row = watch.row

        def counted(each):
            if each.kind == "reading" and len(seen) == 3 and failures[0]:
                failures[0] -= 1
                raise StaleError("has moved on")
            if each.kind == "reading":
                seen.append(each.n)
            row(each)

        watch.row = counted
        return watch

    one = live(wrap=wrap)
    one.watcher.start()
    wait_until(lambda: one.watcher.seen.step == U_V)
    one.writer.append([bench.draft("inductance", None) for _ in range(6)])
    wait_until(lambda: len(seen) >= 6)
    assert len(set(seen)) == len(seen) == 6
    assert failures == [0]


def test_a_condition_that_is_told_in_between_costs_no_touch(bench):
    """A condition changes nothing of what is to be done."""
    bench.begin("three-pair-inductance")
    bench.watching()
    bench.show("inductance", [None])
    bench.act(ConditionsChanged(conditions=JobConditions(rotor="out")))
    bench.show("inductance", steady(0.0623))
    assert taken(bench) == [U_V]
    assert bench.step(U_V).conditions.rotor == "out"
