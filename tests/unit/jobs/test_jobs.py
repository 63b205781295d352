"""Jobs: state by replay, what may be done now, what locks a step, and the service over a journal."""

from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.clock import ManualClock
from capture.errors import ConfigError, InputError
from capture.jobs.locks import locks
from capture.jobs.procedure import built_in, load_procedure, parse_procedure
from capture.jobs.rules import LockedError, check
from capture.jobs.service import JobService, Who
from capture.jobs.state import JobStatus, StepStatus, replay
from capture.journal import JournalReader, StaleError, Store
from capture.model import Direction, TestPoint, new_id
from capture.model.job import (
    Applied,
    ConditionsChanged,
    Discharged,
    Finished,
    JobConditions,
    JobEntry,
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
from capture.model.machine import Nameplate

START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
JOB = new_id()
STEP = "schema_version=1\nname='x'\ntitle='X'\n[[steps]]\nid='a'\ntitle='A'\n"


def entry(event, at: float = 0.0) -> JobEntry:
    """Make an entry of the job, so many seconds after its start."""
    return JobEntry(
        id=new_id(),
        site="sawmill",
        bench="bench-1",
        job=JOB,
        time=START + timedelta(seconds=at),
        operator="technician",
        event=event,
    )


def state_after(*events, procedure: str = "after-rewind"):
    """Replay a start and these events; an event may come with its time as (event, seconds)."""
    made = [event if isinstance(event, tuple) else (event, 0.0) for event in events]
    started = Started(machine="fan-07", procedure=load_procedure(procedure).model_dump(mode="json"))
    entries = [entry(started), *(entry(event, at) for event, at in made)]
    return replay(enumerate(entries, start=1))


def taken(step: str, count: int = 1, how: str = "operator") -> Taken:
    """Take so many readings for a step."""
    return Taken(step=step, readings=tuple(new_id() for _ in range(count)), how=how)


def drafts_for(event: Taken, make, **members):
    """Make the readings that an event takes."""
    return [make(id=id_, **members) for id_ in event.readings]


def at(seconds: float) -> datetime:
    """A moment so long after the start."""
    return START + timedelta(seconds=seconds)


# ── procedures ───────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("name", built_in())
def test_every_built_in_procedure_is_whole_and_warns_first(name):
    procedure = load_procedure(name)
    assert procedure.steps
    assert any("lock it off" in caution for caution in procedure.cautions)
    for step in procedure.steps:
        if step.energy != "none":
            assert step.cautions, f"{step.id} puts energy on the winding and warns of nothing"


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


# ── service ──────────────────────────────────────────────────────────────────────────────────


@pytest.fixture
def service(tmp_path):
    """A service over a journal of its own."""
    store = Store(tmp_path / "bench.journal")
    reader = JournalReader(tmp_path / "bench.journal")
    made = JobService(
        reader,
        lambda batch, expecting: store.append(batch, expecting=expecting),
        ManualClock(),
        "sawmill",
        "bench-1",
    )
    made.register("fan-07", Nameplate(rated_volts=400, winding="random"), who())
    yield made
    reader.close()
    store.close()


def who() -> Who:
    """Somebody, and a fresh id."""
    return Who("technician", new_id())


def test_a_machine_is_what_was_said_of_it_last(service):
    service.register("fan-07", Nameplate(rated_volts=690), who(), note="nameplate read again")
    assert service.machine("fan-07").nameplate.rated_volts == 690
    assert [each.nameplate.rated_volts for each in service.machine_history("fan-07")] == [400, 690]
    assert [each.machine for each in service.machines()] == ["fan-07"]
    with pytest.raises(InputError, match="not registered"):
        service.machine("fan-99")


def test_two_writers_on_one_job_cannot_overwrite_each_other(service):
    job = new_id()
    first = service.start(job, "fan-07", load_procedure("three-pair-inductance"), who())
    second = service.act(job, Noted(text="one tablet"), who(), first.last)
    with pytest.raises(StaleError, match="look again"):
        service.act(job, Noted(text="other tablet"), who(), first.last)
    assert service.act(job, Noted(text="other tablet"), who(), second.last).notes == (
        "one tablet",
        "other tablet",
    )


def test_the_same_act_handed_in_twice_is_done_once(service, draft):
    job, someone = new_id(), who()
    state = service.start(job, "fan-07", load_procedure("three-pair-inductance"), someone)
    again = service.start(job, "fan-07", load_procedure("three-pair-inductance"), someone)
    assert again.last == state.last
    act, event = who(), taken("inductance-u-v")
    readings = drafts_for(event, draft, quantity="inductance", unit="H", shown_unit="mH")
    once = service.act(job, event, act, state.last, readings=readings)
    twice = service.act(job, event, act, state.last, readings=readings)
    assert once == twice
    assert twice.step("inductance-u-v").readings == event.readings


def test_a_job_is_found_again_from_the_file_alone(service, tmp_path, draft):
    job = new_id()
    state = service.start(job, "fan-07", load_procedure("after-rewind"), who())
    event = taken("inductance-u-v")
    readings = drafts_for(event, draft, quantity="inductance", unit="H", shown_unit="mH")
    service.act(job, event, who(), state.last, readings=readings)
    reader = JournalReader(tmp_path / "bench.journal")
    other = JobService(reader, lambda batch, expecting: [], ManualClock(), "sawmill", "bench-1")
    assert other.state(job) == service.state(job)
    assert [each.job for each in other.jobs()] == [job]
    reader.close()
    with pytest.raises(InputError, match="there is no job"):
        service.state(new_id())


def test_an_id_that_was_used_for_something_else_is_refused(service):
    """Passing it over would lose what is handed in, in silence."""
    job, act = new_id(), who()
    state = service.start(job, "fan-07", load_procedure("three-pair-inductance"), who())
    state = service.act(job, Noted(text="dusty"), act, state.last)
    with pytest.raises(InputError, match="belongs to another entry"):
        service.act(job, Noted(text="wet"), act, state.last)
    with pytest.raises(InputError, match="belongs to another entry"):
        service.register("fan-08", Nameplate(), act)


def test_another_description_of_a_machine_needs_an_id_of_its_own(service):
    act = who()
    once = service.register("fan-08", Nameplate(rated_volts=400), act, note="new")
    assert service.register("fan-08", Nameplate(rated_volts=400), act, note="new") == once
    for plate, note in ((Nameplate(rated_volts=690), "new"), (Nameplate(rated_volts=400), "old")):
        with pytest.raises(InputError, match="another description of fan-08"):
            service.register("fan-08", plate, act, note)


def test_a_view_that_is_not_the_newest_is_said_before_anything_else(service, draft):
    """Who comes second on a step hears that the job has moved on, not that the step is taken."""
    job = new_id()
    state = service.start(job, "fan-07", load_procedure("three-pair-inductance"), who())
    for expected in (None, StaleError):
        event = taken("inductance-u-v")
        readings = drafts_for(event, draft, quantity="inductance", unit="H", shown_unit="mH")
        if expected is None:
            service.act(job, event, who(), state.last, readings=readings)
        else:
            with pytest.raises(expected):
                service.act(job, event, who(), state.last, readings=readings)


def test_a_step_takes_readings_that_are_there_and_of_its_quantity(service, draft):
    job = new_id()
    state = service.start(job, "fan-07", load_procedure("three-pair-inductance"), who())
    event = taken("inductance-u-v")
    with pytest.raises(InputError, match="there is no reading"):
        service.act(job, event, who(), state.last)
    with pytest.raises(InputError, match="takes inductance, not resistance"):
        service.act(job, event, who(), state.last, readings=drafts_for(event, draft))
    assert service.state(job).last == state.last


def test_what_follows_from_an_act_is_written_with_it_or_not_at_all(service, draft):
    job = new_id()
    state = service.start(job, "fan-07", load_procedure("insulation-one-minute"), who())
    event = taken("insulation", how="timed")
    ohms = {"quantity": "insulation_resistance", "unit": "Ohm"}
    applied = Applied(step="insulation", seconds=60)
    with pytest.raises(InputError, match="there is no step"):
        service.act(
            job,
            event,
            who(),
            state.last,
            also=[applied, Selected(step="nowhere")],
            readings=drafts_for(event, draft, **ohms),
        )
    assert service.state(job).last == state.last
    done = service.act(
        job, event, who(), state.last, also=[applied], readings=drafts_for(event, draft, **ohms)
    )
    assert done.step("insulation").status is StepStatus.TAKEN
    assert [each.seconds for each in done.applications] == [60]


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
