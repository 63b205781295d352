"""Jobs without a journal: procedures, state by replay, rules, locks."""

from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st
from job_events import at, state_after, taken

from capture.errors import ConfigError, InputError
from capture.jobs.locks import locks
from capture.jobs.procedure import built_in, load_procedure, parse_procedure
from capture.jobs.rules import LockedError, check
from capture.jobs.state import JobStatus, StepStatus
from capture.model import Direction, TestPoint
from capture.model.job import (
    Applied,
    ConditionsChanged,
    Discharged,
    Finished,
    JobConditions,
    Noted,
    Overridden,
    Paused,
    RampedDown,
    Redone,
    Refused,
    Resumed,
    Selected,
    SignedOff,
    Skipped,
    Started,
    Taken,
)

STEP = "schema_version=1\nname='x'\ntitle='X'\n[[steps]]\nid='a'\ntitle='A'\n"


# ── procedures ───────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("name", built_in())
def test_every_built_in_procedure_is_whole_and_warns_first(name):
    procedure = load_procedure(name)
    assert procedure.steps
    assert any("lock it off" in caution for caution in procedure.cautions)
    for step in procedure.steps:
        if step.energy != "none":
            assert step.cautions, f"{step.id} puts energy on the winding and warns of nothing"


@pytest.mark.parametrize("name", built_in())
def test_what_gets_a_test_voltage_is_dry_and_nobody_is_near(name):
    """Steps are done in any order, so each of them says so itself."""
    for step in load_procedure(name).steps:
        if step.energy == "test-voltage":
            said = " ".join(step.cautions)
            assert "Keep everybody away" in said
            assert "dry windings only" in said
            assert "After the test, before anything is touched: earth" in said


@pytest.mark.parametrize(
    ("name", "first", "then"),
    [
        ("single-phase", "A capacitor holds its charge", "Disconnect drives"),
        ("dc-machine", "A field that is opened while current flows", "Open the circuits"),
        ("dc-field-coils-four", "A field that is opened while current flows", "Open the circuits"),
    ],
)
def test_a_caution_stands_before_the_work_it_protects(name, first, then):
    cautions = load_procedure(name).cautions
    places = [
        next(n for n, caution in enumerate(cautions) if caution.startswith(words))
        for words in (first, then)
    ]
    assert places == sorted(places)


def test_what_is_not_under_test_is_on_the_frame_and_every_such_step_says_so_first():
    for name in built_in():
        for step in load_procedure(name).steps:
            if any(TestPoint.parse(point).earth for point in step.points):
                assert any("joined to the frame for this step" in each for each in step.cautions)


def test_the_sets_hold_all_four_tests():
    for name in ("incoming-inspection", "after-rewind"):
        quantities = {step.quantity for step in load_procedure(name).steps}
        assert quantities == {"resistance", "inductance", "insulation_resistance", "pulse_time"}


def test_the_six_pulse_readings_are_three_pairs_both_ways():
    (step,) = load_procedure("pulse-six-readings").steps
    points = [TestPoint.parse(point) for point in step.points]
    assert {point.pair for point in points} == {"U-V", "V-W", "W-U"}
    assert [point.direction for point in points] == [Direction.FORWARD, Direction.REVERSE] * 3


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("schema_version = 1\nname = 'x'\ntitle = 'X'", "needs steps"),
        (
            STEP.replace("title='A'", "title='A'") + "points=['U-?']\nquantity='resistance'",
            r"steps\[0\].points",
        ),
        (
            STEP.replace("title='A'", "title='A'") + "points=['U-V','V-W']\nquantity='resistance'",
            "one test point",
        ),
        (
            STEP.replace("title='A'", "title='A'")
            + "points=['U-V']\nquantity='resistance'\ntake={how='timed'}",
            "at_s",
        ),
        (
            STEP.replace("title='A'", "titel='A'") + "points=['U-V']\nquantity='resistance'",
            "titel",
        ),
        ("schema_version = ", "not TOML"),
    ],
)
def test_a_faulty_procedure_is_refused_with_its_key(text, says):
    with pytest.raises(ConfigError, match=says):
        parse_procedure(text, "mine.toml")


def test_a_procedure_that_includes_itself_is_refused(tmp_path, monkeypatch):
    (tmp_path / "round.toml").write_text(
        'schema_version = 1\nname = "round"\ntitle = "R"\ninclude = ["round"]\n'
    )
    monkeypatch.setenv("BENCHTALLY_PROCEDURES", str(tmp_path))
    with pytest.raises(ConfigError, match="includes itself"):
        load_procedure("round")


def test_a_step_that_comes_from_two_sides_is_refused_in_one_line(tmp_path, monkeypatch):
    """Each file is good by itself; only together does a step stand twice."""
    (tmp_path / "twice.toml").write_text(
        'schema_version = 1\nname = "twice"\ntitle = "T"\n'
        'include = ["three-pair-resistance", "three-pair-resistance"]\n'
    )
    monkeypatch.setenv("BENCHTALLY_PROCEDURES", str(tmp_path))
    with pytest.raises(ConfigError, match=r"procedure twice with what it includes: step .* twice"):
        load_procedure("twice")


# ── state ────────────────────────────────────────────────────────────────────────────────────


def test_steps_come_in_the_procedures_order_unless_one_is_chosen():
    state = state_after()
    assert state.current.step.id == "resistance-u-v"
    state = state_after(Selected(step="insulation"))
    assert state.current.step.id == "insulation"
    state = state_after(Selected(step="insulation"), taken("insulation"))
    assert state.current.step.id == "resistance-u-v"


def test_doing_a_step_again_keeps_the_old_reading_with_the_reason():
    first = taken("resistance-u-v")
    state = state_after(first, Redone(step="resistance-u-v", reason="clip slipped"))
    step = state.step("resistance-u-v")
    assert step.status is StepStatus.OPEN
    assert step.superseded == ((first.readings[0], "clip slipped"),)
    assert state.current.step.id == "resistance-u-v"


def test_conditions_hold_from_where_they_were_said():
    state = state_after(
        taken("resistance-u-v"),
        ConditionsChanged(conditions=JobConditions(rotor="out", winding_celsius=21.5)),
        ConditionsChanged(conditions=JobConditions(winding_celsius=22.0)),
        taken("resistance-v-w"),
    )
    assert state.step("resistance-u-v").conditions.rotor is None
    assert state.step("resistance-v-w").conditions.rotor == "out"
    assert state.step("resistance-v-w").conditions.winding_celsius == 22.0


def test_an_entry_about_an_unknown_step_never_breaks_a_replay():
    state = state_after(taken("no-such-step"), Paused(reason="tea break"))
    assert state.status is JobStatus.PAUSED
    assert state.last == 3


EVENTS = st.one_of(
    st.sampled_from(
        [
            Paused(reason="tea break"),
            Resumed(),
            Finished(),
            SignedOff(),
            Noted(text="dusty"),
            Applied(step="insulation", seconds=60),
            Discharged(step="insulation"),
            RampedDown(step="resistance-u-v"),
            Overridden(step="pulse", lock="insulation", reason="said so"),
        ]
    ),
    st.sampled_from(["resistance-u-v", "insulation", "pulse", "nowhere"]).flatmap(
        lambda step: st.sampled_from(
            [
                taken(step),
                Selected(step=step),
                Redone(step=step, reason="again"),
                Skipped(step=step, reason="not now"),
                Refused(step=step, reading=UUID(int=1), reason="moved"),
            ]
        )
    ),
)


@given(st.lists(EVENTS, max_size=25))
def test_any_sequence_replays_and_no_reading_is_forgotten(events):
    """Whatever was stored can be replayed; a reading that was taken holds or is superseded."""
    state = state_after(*events)
    for event in events:
        if isinstance(event, Taken) and event.step in state.steps:
            step = state.step(event.step)
            assert {*event.readings} <= {*step.readings, *(each for each, _ in step.superseded)}
    assert state.last == len(events) + 1


# ── rules ────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("before", "event", "says"),
    [
        ([taken("resistance-u-v")], taken("resistance-u-v"), "redo it"),
        ([], Redone(step="resistance-u-v", reason="again"), "nothing to do again"),
        ([], taken("no-such"), "there is no step"),
        ([], taken("pulse", 5), "takes 6 values at once, not 5"),
        ([Paused(reason="tea break")], taken("resistance-u-v"), "the job is paused"),
        ([Finished()], taken("resistance-u-v"), "the job is finished"),
        ([], SignedOff(), "needs one that is finished"),
        ([], Resumed(), "needs one that is paused"),
        ([], Discharged(step="insulation"), "no voltage was applied"),
        ([], Overridden(step="resistance-u-v", lock="discharge", reason="why"), "not held by"),
        ([], Started(machine="fan-07", procedure={}), "has been started already"),
    ],
)
def test_what_does_not_fit_is_refused_with_the_reason(before, event, says):
    with pytest.raises(InputError, match=says):
        check(state_after(*before), event, at(10))


def test_a_sound_sequence_passes():
    state = state_after()
    for event in (Selected(step="inductance-u-v"), Noted(text="dusty"), taken("inductance-u-v")):
        check(state, event, at(1))


# ── locks ────────────────────────────────────────────────────────────────────────────────────


def test_after_a_test_voltage_steps_wait_four_times_its_time_and_a_confirmation():
    """IEEE Std 43, from memory: 60 s of voltage, 240 s of discharge."""
    before = (taken("insulation"), (Applied(step="insulation", seconds=60), 100.0))
    state = state_after(*before)
    (lock,) = locks(state, "resistance-u-v", at(339))
    assert lock.name == "discharge"
    assert lock.until == at(340)
    with pytest.raises(LockedError, match="wait 1 s more"):
        check(state, Discharged(step="insulation"), at(339))
    (lock,) = locks(state, "resistance-u-v", at(341))
    assert lock.until is None, "the time is over, the word is still missing"
    check(state, Discharged(step="insulation"), at(341))
    state = state_after(*before, (Discharged(step="insulation"), 341.0))
    assert locks(state, "resistance-u-v", at(342)) == []


def test_leads_are_moved_only_after_the_current_was_said_to_be_zero():
    state = state_after(taken("resistance-u-v"))
    (lock,) = locks(state, "resistance-v-w", at(1))
    assert lock.name == "ramp-down"
    state = state_after(taken("resistance-u-v"), RampedDown(step="resistance-u-v"))
    assert locks(state, "resistance-v-w", at(1)) == []


def test_no_pulses_while_the_insulation_reading_is_missing_or_failed():
    (lock,) = locks(state_after(), "pulse", at(1))
    assert lock.name == "insulation"
    done = state_after(taken("insulation"))
    assert locks(done, "pulse", at(1)) == []
    (lock,) = locks(done, "pulse", at(1), lambda _step: True)
    assert "failed" in lock.words
    check(
        done, Overridden(step="pulse", lock="insulation", reason="a reason"), at(1), lambda _s: True
    )
    passed = state_after(
        taken("insulation"), Overridden(step="pulse", lock="insulation", reason="a reason")
    )
    assert locks(passed, "pulse", at(1), lambda _step: True) == []


def test_no_lock_says_that_a_winding_is_anything():
    """The locks follow the order of work; none calls a winding safe or dead."""
    states = [
        state_after(taken("insulation"), (Applied(step="insulation", seconds=60), 0.0)),
        state_after(taken("resistance-u-v")),
        state_after(),
    ]
    words = " ".join(lock.words for s in states for lock in locks(s, "pulse", at(1))).lower()
    assert "safe" not in words.split()
    assert "dead" not in words.split()


# ── how long an override holds ───────────────────────────────────────────────────────────────


def test_an_override_of_the_discharge_ends_with_the_next_test_voltage():
    passed = (
        (Applied(step="insulation", seconds=60), 0.0),
        (Overridden(step="resistance-u-v", lock="discharge", reason="earthed all along"), 1.0),
    )
    assert locks(state_after(*passed), "resistance-u-v", at(2)) == []
    again = state_after(*passed, (Applied(step="insulation", seconds=60), 10.0))
    assert [lock.name for lock in locks(again, "resistance-u-v", at(11))] == ["discharge"]


def test_an_override_of_the_ramp_down_ends_with_the_next_direct_current():
    passed = (
        taken("resistance-u-v"),
        Overridden(step="resistance-w-u", lock="ramp-down", reason="meter is off"),
    )
    assert locks(state_after(*passed), "resistance-w-u", at(1)) == []
    again = state_after(*passed, RampedDown(step="resistance-u-v"), taken("resistance-v-w"))
    assert [lock.name for lock in locks(again, "resistance-w-u", at(1))] == ["ramp-down"]


@pytest.mark.parametrize(
    "event", [taken("insulation"), Redone(step="insulation", reason="was wet")]
)
def test_an_override_for_a_failed_insulation_ends_when_it_is_measured_anew(event):
    passed = (
        taken("insulation"),
        Overridden(step="pulse", lock="insulation", reason="known, and accepted"),
    )
    assert locks(state_after(*passed), "pulse", at(1), lambda _step: True) == []
    again = state_after(*passed, event)
    assert [lock.name for lock in locks(again, "pulse", at(1), lambda _step: True)] == [
        "insulation"
    ]


def test_a_current_that_stores_little_needs_no_word_about_its_end():
    small = taken("resistance-u-v").model_copy(update={"ramp_down": False})
    assert locks(state_after(small), "resistance-v-w", at(1)) == []
