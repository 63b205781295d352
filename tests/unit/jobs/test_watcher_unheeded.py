"""What nobody takes, since the job is paused or over: whoever holds the leads gets a word."""

import pytest
from watched import InsulationTester, applied, steady, taken

from capture.model import Polled, new_id
from capture.model.job import Finished, Noted, Paused, Redone, Resumed, SignedOff
from capture.model.source import Keyed

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


@pytest.fixture
def rewound(bench):
    """A job whose resistance is to be done first, and whose insulation comes later; watched."""
    bench.begin("after-rewind", winding_celsius=22.0)
    bench.watching()
    return bench


@pytest.mark.parametrize("series", [True, False])
@pytest.mark.parametrize("event", [PAUSE, None])
def test_a_voltage_counts_whatever_is_to_be_done_and_is_said_to(rewound, series, event):
    """Whether its tester counts or not: the next lead that is moved is on the same winding."""
    if event:
        rewound.act(event)
    InsulationTester(rewound, series=series).run(20)
    said = rewound.watch.seen.reason
    rewound.quiet(5)
    assert applied(rewound) == [pytest.approx(20, abs=1)]
    assert "its voltage is on is counted" in said
    assert taken(rewound) == []


@pytest.mark.parametrize("series", [True, False])
def test_so_it_does_once_every_step_is_done(wet, series):
    InsulationTester(wet).run(70)
    wet.quiet(5)
    before = len(applied(wet))
    InsulationTester(wet, series=series).run(20)
    said = wet.watch.seen.reason
    wet.quiet(5)
    assert len(applied(wet)) - before == 1
    assert "its voltage is on is counted" in said


def test_a_single_result_while_another_step_is_due_is_told_and_its_discharge_owed(rewound):
    """One line says that a voltage was on, not for how long: as long as its step takes, then."""
    rewound.clock.advance(10)
    rewound.reading("insulation_resistance", 8.5e8)
    rewound.follow()
    said = rewound.watch.seen.reason
    assert said.startswith("insulation resistance comes in from ins-1, but step resistance-u-v is")
    assert "for how long its voltage is on is counted" in said
    assert said.index("discharge the winding") < said.index("choose the step")
    rewound.touch("resistance", 0.8421, 4)
    assert "ins-1 has a test voltage on the winding" in rewound.watch.seen.reason
    rewound.quiet(5)
    assert applied(rewound) == [60]
    rewound.touch("resistance", 0.8421)
    assert "discharge the winding: voltage was applied for 60 s" in rewound.watch.seen.reason
    assert taken(rewound) == []
    rewound.discharge()
    rewound.follow()
    rewound.touch("resistance", 0.8421)
    assert taken(rewound) == ["resistance-u-v"]


def test_a_result_that_comes_in_two_lines_stands_for_as_long(rewound):
    rewound.clock.advance(10)
    rewound.show("insulation_resistance", [8.5e8, 8.6e8])
    rewound.quiet(5)
    assert applied(rewound) == [60]


def test_insulation_that_is_to_settle_is_not_held_up_by_its_own_voltage(bench):
    """A site may ask for it so; the voltage that is on is that of the step."""
    bench.begin(
        OWN_TESTER.replace('"timed", at_s = [15, 30], within_s = 1', '"settled"').replace(
            'instrument = "ins-2"\n', ""
        ),
        winding_celsius=22.0,
    )
    bench.watching()
    bench.show("insulation_resistance", [None], status="invalid")
    bench.show("insulation_resistance", steady(1e9, 24))
    assert taken(bench) == ["insulation"]


def test_a_single_result_counts_where_its_own_step_is_due_too(wet):
    """Nothing is taken from it, and nobody may ever take it by hand."""
    wet.clock.advance(10)
    wet.reading("insulation_resistance", 8.5e8)
    wet.follow()
    wet.quiet(5)
    assert (taken(wet), applied(wet)) == ([], [60])


def test_a_single_result_that_somebody_takes_is_counted_once(wet):
    wet.clock.advance(10)
    reading = wet.reading("insulation_resistance", 8.5e8)
    wet.follow()
    wet.take("insulation", [reading])
    wet.quiet(5)
    assert applied(wet) == [60]


def test_a_breakdown_that_comes_alone_was_under_voltage_too(rewound):
    rewound.reading("insulation_resistance", None, status="breakdown")
    rewound.follow()
    assert applied(rewound) == [60]
    assert "for how long its voltage is on is counted" in rewound.watch.seen.reason


@pytest.mark.parametrize("status", ["breakdown", "aborted"])
@pytest.mark.parametrize("series", [True, False])
@pytest.mark.parametrize("seconds", [0, 20])
def test_a_display_that_goes_on_saying_how_a_test_ended_owes_one_discharge(
    rewound, series, status, seconds
):
    """Each further line would pass for a test: its wait began anew, and the lock never opened."""
    tester = InsulationTester(rewound, series=series)
    tester.run(seconds)
    tester.run(seconds + 30, status=status, ohms=lambda _at: None)
    expected = seconds + 1 if series else seconds or 60
    assert applied(rewound) == [pytest.approx(expected, abs=1)]
    assert "for how long its voltage is on is counted" in rewound.watch.seen.reason
    rewound.discharge()
    tester.run(seconds + 40, status=status, ohms=lambda _at: None)
    rewound.quiet(5)
    assert len(applied(rewound)) == 1
    rewound.touch("resistance", 0.8421)
    assert taken(rewound) == ["resistance-u-v"]


def test_such_a_display_keeps_no_resistance_from_being_taken(rewound):
    rewound.show("insulation_resistance", [None], status="breakdown")
    rewound.discharge()
    for _ in range(30):
        rewound.show("insulation_resistance", [None], status="breakdown")
        rewound.show("resistance", [None])
    rewound.touch("resistance", 0.8421)
    assert taken(rewound) == ["resistance-u-v"]


@pytest.mark.parametrize("series", [True, False])
def test_a_test_after_a_breakdown_is_another_one(rewound, series):
    rewound.show("insulation_resistance", [None], status="breakdown")
    InsulationTester(rewound, series=series).run(20)
    rewound.quiet(5)
    assert applied(rewound) == [60, pytest.approx(20, abs=1)]


def test_a_breakdown_that_stood_there_before_the_job_was_begun_is_none_of_it(rewound):
    """Another machine was on the bench then."""
    rewound.act(Finished())
    rewound.show("insulation_resistance", [None] * 3, status="breakdown")
    rewound.job = new_id()
    rewound.begin("after-rewind", winding_celsius=22.0)
    rewound.follow()
    rewound.show("insulation_resistance", [None] * 3, status="breakdown")
    rewound.quiet(5)
    assert applied(rewound) == []


def test_a_winding_whose_procedure_has_no_step_for_it_is_charged_all_the_same(coils):
    coils.clock.advance(10)
    coils.reading("insulation_resistance", 8.5e8)
    coils.follow()
    assert "but step inductance-u-v is to be done" in coils.watch.seen.reason
    coils.quiet(5)
    (only,) = coils.state.applications
    assert (only.step, only.seconds) == ("inductance-u-v", 60)
    coils.touch("inductance", 0.0623)
    assert taken(coils) == []
    coils.discharge("inductance-u-v")
    coils.follow()
    coils.touch("inductance", 0.0623)
    assert taken(coils) == ["inductance-u-v"]


ANSWER = {
    "source": Polled(driver="simulated", driver_version="1", link="memory", query="FETCh?"),
}


def test_a_result_that_may_be_an_old_one_is_told_once_and_owes_nothing(rewound):
    """The first answer of a tester that was just connected may be what it holds since yesterday."""
    rewound.reading("insulation_resistance", 8.5e8, session=new_id(), **ANSWER)
    rewound.follow()
    said = rewound.watch.seen.reason
    assert "nobody counts for how long its voltage is on" in said
    assert said.index("keep the winding earthed") < said.index("choose the step")
    rewound.touch("resistance", 0.8421, 3)
    assert rewound.watch.seen.reason == said, "what the step waits for does not hide it at once"
    rewound.quiet(12)
    assert applied(rewound) == []
    rewound.touch("resistance", 0.8421)
    assert taken(rewound) == ["resistance-u-v"]


@pytest.mark.parametrize("before", ["invalid", "stale", "ok"])
def test_an_answer_that_differs_from_the_one_before_is_a_new_test(rewound, before):
    session = new_id()
    value = None if before == "invalid" else 8.5e8
    rewound.reading("insulation_resistance", value, status=before, session=session, **ANSWER)
    rewound.follow()
    rewound.quiet(5)
    assert applied(rewound) == []
    rewound.reading("insulation_resistance", 9.1e8, session=session, **ANSWER)
    rewound.follow()
    rewound.quiet(5)
    assert applied(rewound) == [60]


def test_an_answer_after_a_new_connection_is_none(rewound):
    for ohms in (8.5e8, 9.1e8):
        rewound.reading("insulation_resistance", ohms, session=new_id(), **ANSWER)
        rewound.follow()
        rewound.quiet(5)
    assert applied(rewound) == []


def test_a_display_that_stands_still_is_told_once_and_jams_nothing(rewound):
    """A tester that goes on sending what it found: its digits say nothing new."""
    rewound.watch = None
    rewound.show("insulation_resistance", [8.5e8] * 4)
    rewound.watching()
    rewound.show("insulation_resistance", [8.5e8])
    assert "nobody counts" in rewound.watch.seen.reason
    for _ in range(30):
        rewound.show("insulation_resistance", [8.5e8])
        rewound.show("resistance", [None])
    assert "nobody counts" not in rewound.watch.seen.reason
    assert applied(rewound) == []


def test_what_a_person_keys_shows_no_voltage(rewound):
    """It was read off a display, perhaps yesterday; and in a job, its step writes the time down."""
    keyed = Keyed(operator="technician", typed="850 MOhm")
    rewound.reading("insulation_resistance", 8.5e8, source=keyed)
    rewound.follow()
    assert "insulation" not in rewound.watch.seen.reason
    rewound.quiet(5)
    assert applied(rewound) == []


OWN_TESTER = """\
schema_version = 1
name = "x"
title = "One tester is asked for"
cautions = ["Lock it off."]
[[steps]]
id = "insulation"
title = "Insulation"
cautions = ["Keep everybody away."]
points = ["U+V+W-frame"]
quantity = "insulation_resistance"
energy = "test-voltage"
take = { how = "timed", at_s = [15, 30], within_s = 1 }
instrument = "ins-2"
"""


@pytest.mark.parametrize("series", [True, False])
def test_a_test_by_another_tester_is_counted_and_not_taken(bench, series):
    bench.begin(OWN_TESTER, winding_celsius=22.0)
    bench.watching()
    InsulationTester(bench, series=series).run(40)
    assert "takes it from ins-2" in bench.watch.seen.reason
    bench.quiet(5)
    assert taken(bench) == []
    assert applied(bench) == [pytest.approx(40, abs=1)]


def test_the_caution_stands_before_what_is_to_be_done(wet):
    wet.act(Finished())
    InsulationTester(wet).run(20)
    said = wet.watch.seen.reason
    assert said.index("keep the winding earthed") < said.index("tag it with its machine")
    assert "prove it discharged" in said
