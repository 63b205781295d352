"""What nobody takes, since the job is paused or over: whoever holds the leads gets a word."""

import pytest
from watched import InsulationTester, applied, steady, taken

from capture.model import new_id
from capture.model.job import Finished, Noted, Paused, Redone, Resumed, SignedOff

PAUSE = Paused(reason="tea break")
VOID = Noted(text="on the wrong machine", voids=True)


def test_a_touch_while_the_job_is_paused_gets_a_word(coils):
    coils.act(PAUSE)
    coils.touch("inductance", 0.0623)
    seen = coils.watch.seen
    assert (seen.job, seen.instrument) == (coils.job, "lcr-1")
    assert seen.reason.startswith("inductance comes in from lcr-1, but the job is paused")
    coils.act(Resumed())
    coils.follow()
    assert "paused" not in coils.watch.seen.reason


def test_a_meter_that_drives_a_current_is_waited_for_before_leads_are_lifted(bench):
    bench.begin("three-pair-resistance")
    bench.watching()
    bench.act(PAUSE)
    bench.touch("resistance", 0.83)
    assert "; once the meter's current is zero, lift the leads" in bench.watch.seen.reason


def test_a_touch_after_finish_gets_a_word(coils):
    coils.act(Finished())
    coils.touch("inductance", 0.0623)
    assert "but the job is finished: no step takes it" in coils.watch.seen.reason
    assert taken(coils) == []


def test_a_word_about_the_pause_does_not_outlive_it(coils):
    coils.act(PAUSE)
    coils.touch("inductance", 0.0623)
    coils.act(Noted(text="dusty"))
    coils.follow()
    assert "paused" in coils.watch.seen.reason
    coils.act(Finished())
    coils.follow()
    assert coils.watch.seen.reason == "no job is running"


def test_a_touch_once_every_step_is_done_gets_a_word(coils):
    for henries in (0.0623, 0.0621, 0.0622):
        coils.touch("inductance", henries)
    coils.touch("inductance", 0.0623)
    assert "every step is done" in coils.watch.seen.reason
    coils.act(Redone(step="inductance-u-v", reason="clip slipped"))
    coils.follow()
    assert coils.watch.seen.reason == "waiting for a reading"


@pytest.mark.parametrize("event", [PAUSE, Finished(), VOID])
def test_leads_that_lie_on_since_before_get_none(coils, event):
    """A meter that is polled goes on showing the same: that is no test that somebody started."""
    coils.touch("inductance", 0.0623)
    coils.act(event)
    coils.show("inductance", steady(0.0623))
    assert coils.watch.seen.reason == "no job is running"


@pytest.mark.parametrize(
    ("quantity", "values"), [("inductance", [None, None]), ("resistance", [None, 0.83])]
)
def test_open_leads_and_what_the_job_does_not_ask_for_get_none(coils, quantity, values):
    coils.act(PAUSE)
    coils.show(quantity, values)
    assert coils.watch.seen.reason == "no job is running"


def test_a_job_that_is_signed_off_is_no_matter_any_more(coils):
    coils.act(Finished())
    coils.act(SignedOff())
    coils.touch("inductance", 0.0623)
    assert coils.watch.seen.reason == "no job is running"


@pytest.mark.parametrize("series", [True, False])
def test_a_voltage_while_the_job_is_paused_is_counted_and_not_taken(wet, series):
    """Whoever goes on with the job meets the lock that protects from it."""
    wet.act(PAUSE)
    tester = InsulationTester(wet, series=series)
    tester.run(20)
    assert "insulation resistance comes in from ins-1" in wet.watch.seen.reason
    assert "for how long its voltage is on is counted" in wet.watch.seen.reason
    wet.act(Resumed())
    tester.run(70)
    assert "the test began before this step did, while the job was paused" in wet.watch.seen.reason
    wet.quiet(5)
    assert taken(wet) == []
    assert applied(wet) == pytest.approx([70], abs=1.5)
    (lock,) = wet.desk.view(wet.state)["steps"][0]["locks"]
    assert lock["name"] == "discharge"


def test_a_voltage_that_ends_within_the_pause_is_counted(wet):
    wet.act(PAUSE)
    InsulationTester(wet).run(70)
    wet.quiet(5)
    assert applied(wet) == [70]


def test_a_voltage_after_finish_is_nobodys_and_said_to_be(wet):
    """Another machine may lie on the bench by now: nothing is written of this one."""
    wet.act(Finished())
    tester = InsulationTester(wet)
    tester.run(70)
    wet.quiet(5)
    assert applied(wet) == []
    assert "nobody counts for how long its voltage is on" in wet.watch.seen.reason
    assert "four times as long" in wet.watch.seen.reason


@pytest.mark.parametrize("event", [PAUSE, Finished(), VOID])
def test_a_test_that_began_before_is_counted_and_needs_no_word(wet, event):
    tester = InsulationTester(wet)
    tester.run(20)
    wet.act(event)
    tester.run(50)
    assert wet.watch.seen.reason == "no job is running"
    wet.quiet(5)
    assert max(applied(wet)) == 50


def test_a_tester_that_puts_no_voltage_on_gets_no_word(wet):
    wet.act(PAUSE)
    InsulationTester(wet).run(10, ohms=lambda _at: None, status="invalid")
    assert wet.watch.seen.reason == "no job is running"
    assert applied(wet) == []


def test_the_job_that_was_worked_on_last_is_spoken_of(coils):
    """A paused job of last week is no matter while another one is finished."""
    coils.act(PAUSE)
    coils.job = new_id()
    coils.begin("three-pair-inductance")
    coils.act(Finished())
    coils.touch("inductance", 0.0623)
    assert coils.watch.seen.job == coils.job
    assert "finished" in coils.watch.seen.reason


def test_the_caution_stands_before_what_is_to_be_done(wet):
    wet.act(Finished())
    InsulationTester(wet).run(20)
    said = wet.watch.seen.reason
    assert said.index("keep the winding earthed") < said.index("tag it with its machine")
    assert "prove it discharged" in said
