"""Hands-free capture: one touch one reading, whoever acts beside it and whatever the clock does."""

import pytest
from watched import U_V, V_W, W_U, racing, steady, taken

from capture.errors import JournalError
from capture.jobs.watcher import JobWatch
from capture.model import new_id
from capture.model.job import (
    ConditionsChanged,
    Finished,
    JobConditions,
    Noted,
    Paused,
    Redone,
    Refused,
    Resumed,
    Selected,
)

# ── touches ──────────────────────────────────────────────────────────────────────────────────


def test_nobody_is_told_to_lift_leads_while_a_current_flows(bench):
    """What holds the next step comes first; and where nothing does, the current is zero first."""
    bench.begin("three-pair-resistance")
    bench.watching()
    bench.show("resistance", steady(0.8421))
    assert bench.watch.seen.reason == (
        "once the meter's current is zero, lift the leads, then put them on"
    )
    bench.touch("resistance", 0.8421)
    bench.show("resistance", steady(0.8421))
    assert bench.watch.seen.reason.startswith(
        "after step resistance-u-v: ramp the meter's current down, wait for zero, then move"
    )


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


# ── the thread ───────────────────────────────────────────────────────────────────────────────


def test_a_condition_that_is_told_in_between_costs_no_touch(bench):
    """A condition changes nothing of what is to be done."""
    bench.begin("three-pair-inductance")
    bench.watching()
    bench.show("inductance", [None])
    bench.act(ConditionsChanged(conditions=JobConditions(rotor="out")))
    bench.show("inductance", steady(0.0623))
    assert taken(bench) == [U_V]
    assert bench.step(U_V).conditions.rotor == "out"
