"""Void jobs: they stay readable, count for nothing, and take nothing off what a winding is owed."""

import json

import pytest

from capture.display import tagged_point
from capture.errors import InputError
from capture.jobs.compare import compare
from capture.jobs.earlier import insulation_of
from capture.jobs.odd import odd_outside_a_job
from capture.jobs.rules import LockedError
from capture.jobs.state import JobStatus
from capture.jobs.trends import machine_trends
from capture.model import Tag, new_id
from capture.model.job import (
    Applied,
    Discharged,
    Finished,
    Noted,
    Paused,
    Resumed,
    SignedOff,
)

WHY = "begun on the wrong machine"


def void(bench, operator="foreman", reason=WHY):
    return bench.act(Noted(text=reason, voids=True), operator)


def coils(bench, *, ohms=0.83):
    """Take the three inductances of a job that was begun."""
    for pair in ("u-v", "v-w", "w-u"):
        bench.take(f"inductance-{pair}", bench.pair(pair, ohms=ohms))


@pytest.mark.parametrize("before", [(), (Paused(reason="tea"),), (Finished(),)])
def test_a_job_is_void_whatever_it_was_before_and_says_by_whom_and_why(bench, before):
    bench.begin("three-pair-inductance")
    for event in before:
        bench.act(event)
    was = bench.state.status
    state = void(bench)
    assert state.status is JobStatus.VOIDED
    assert (state.voided.operator, state.voided.reason, state.voided.was) == ("foreman", WHY, was)
    assert not state.signed_off
    assert state.voided.time == bench.clock.utc()


def test_a_signed_job_may_be_voided_and_stays_signed_in_what_it_was(bench):
    bench.begin("three-pair-inductance")
    bench.act(Finished())
    bench.act(SignedOff())
    assert void(bench).signed_off


@pytest.mark.parametrize(
    "event", [Resumed(), Finished(), SignedOff(), Paused(reason="tea"), Noted(text=WHY, voids=True)]
)
def test_nothing_takes_it_back_and_nobody_signs_it(bench, event):
    bench.begin("three-pair-inductance")
    void(bench)
    with pytest.raises(InputError, match="voided"):
        bench.act(event)
    assert bench.state.status is JobStatus.VOIDED


def test_a_remark_may_still_say_where_the_test_was_done_again(bench):
    bench.begin("three-pair-inductance")
    void(bench)
    assert bench.act(Noted(text="done again as fan-08")).notes == ("done again as fan-08",)
    assert bench.state.status is JobStatus.VOIDED


@pytest.mark.parametrize("reason", ["", "ab", "  a  "])
def test_a_reason_is_asked_for(bench, reason):
    bench.begin("three-pair-inductance")
    with pytest.raises((InputError, ValueError), match=r"3 letters|at least 1"):
        bench.act(Noted(text=reason, voids=True))
    assert bench.state.voided is None


def test_a_step_alone_is_not_voided():
    with pytest.raises(ValueError, match="as a whole"):
        Noted(step="pulse", text=WHY, voids=True)


def test_a_program_that_knows_no_void_jobs_reads_a_remark(bench):
    """The entry is a remark with a mark: what cannot read the mark still shows why."""
    bench.begin("three-pair-inductance")
    void(bench)
    (event,) = [
        json.loads(row.body)["event"] for row in bench.reader.of_subject("job", str(bench.job))[1:]
    ]
    assert event == {"action": "noted", "text": WHY, "voids": True}


def test_handed_in_twice_it_is_done_once(bench):
    bench.begin("three-pair-inductance")
    seen, someone = bench.state.last, bench.who()
    event = Noted(text=WHY, voids=True)
    first = bench.desk.act(bench.job, event, someone, seen)
    assert bench.desk.act(bench.job, event, someone, seen) == first
    assert bench.reader.last_n() == first.last


# ── what a voltage has left ──────────────────────────────────────────────────────────────────


def test_its_discharge_stays_owed_here_and_in_the_next_job_of_the_machine(bench):
    bench.begin("insulation-one-minute")
    bench.act(Applied(step="insulation", seconds=60))
    old = bench.job
    void(bench)
    bench.job = new_id()
    bench.begin("three-pair-inductance")
    (owing,) = bench.service.beside(bench.state)
    assert owing.job == old
    bench.clock.advance(3600)
    with pytest.raises(LockedError, match="confirm that in job"):
        bench.take("inductance-u-v", bench.pair("u-v"))
    last = bench.service.state(old).last
    bench.desk.act(old, Discharged(step="insulation"), bench.who(), last)
    bench.take("inductance-u-v", bench.pair("u-v"))


def test_a_voltage_that_is_told_of_afterwards_begins_a_discharge_too(bench):
    bench.begin("insulation-one-minute")
    void(bench)
    state = bench.act(Applied(step="insulation", seconds=60))
    assert [each.discharged for each in state.applications] == [False]


def test_voiding_one_job_does_not_make_it_the_one_that_is_worked_on(bench):
    bench.begin("three-pair-inductance")
    old = bench.job
    bench.act(Finished())
    bench.job = new_id()
    bench.begin("three-pair-inductance")
    last = bench.service.state(old).last
    bench.desk.act(old, Noted(text=WHY, voids=True), bench.who(), last)
    assert bench.service.worked_on_last() == bench.job


# ── what it no longer counts for ─────────────────────────────────────────────────────────────


def test_its_results_are_stored_anew_as_void_and_no_verdict_of_them_binds(bench):
    coils_job(bench)
    before = {each.name: each for each in bench.service.results(bench.job)}
    assert any(each.judgement for each in before.values())
    void(bench)
    held = {each.name: each for each in bench.service.results(bench.job)}
    assert held.keys() == before.keys()
    for name, each in held.items():
        assert each.voided
        assert each.value == before[name].value
        if each.judgement is not None:
            assert each.judgement.verdict == "not applicable"
            assert WHY in each.judgement.reason
    found = bench.desk.now(bench.job)
    assert found.verdict == "not applicable"
    assert WHY in found.sentence


def test_results_that_a_crash_kept_from_being_marked_are_marked_at_the_next_start(bench):
    coils_job(bench)
    last = bench.state.last
    bench.service.act(bench.job, Noted(text=WHY, voids=True), bench.who(), last)  # no results
    assert not any(each.voided for each in bench.service.results(bench.job))
    bench.watching()
    held = {each.name: each for each in bench.service.results(bench.job)}
    assert all(each.voided for each in held.values())


def coils_job(bench):
    bench.begin("three-pair-inductance", rotor="out")
    coils(bench)


def test_trends_and_comparisons_leave_it_out(bench):
    coils_job(bench)
    bench.act(Finished())
    first = bench.job
    bench.job = new_id()
    coils_job(bench)
    bench.act(Finished())
    assert {len(each.points) for each in machine_trends(bench.desk, "fan-07").trends} == {2}
    void(bench)
    assert {len(each.points) for each in machine_trends(bench.desk, "fan-07").trends} == {1}
    assert not machine_trends(bench.desk, "fan-07", until=bench.job).trends
    found = compare(bench.desk, first, bench.job, bench.clock.utc())
    assert all(each.second is None for each in found.values)
    assert found.left_out == (f"second job is void, so none of its values: {WHY}",)
    assert (found.second.status, found.second.verdict) == ("voided", "not applicable")


def test_its_insulation_test_is_none_but_what_waits_of_it_is_said(bench):
    bench.begin("insulation-one-minute", winding_celsius=22.0)
    readings = [
        bench.reading("insulation_resistance", 2e9, series={"id": bench.job, "elapsed": at})
        for at in (15, 30, 60)
    ]
    bench.take("insulation", readings)
    void(bench)
    told = insulation_of(bench.service.jobs_of("fan-07"), bench.desk.results.failed)
    assert told.startswith("of this machine there is none in the journal")
    assert f"nobody has confirmed the discharge of a test in job {bench.job}" in told


def tag_of(bench, reading):
    body = json.loads(bench.reader.entry(reading).body)
    return bench.reader.with_tag(body).get("tag")


def test_its_readings_say_that_they_are_void_and_are_compared_with_nothing(bench):
    coils_job(bench)
    (taken, _) = bench.step("inductance-u-v").readings
    assert tag_of(bench, taken)["test_point"]
    void(bench)
    tag = tag_of(bench, taken)
    assert tag["machine"] == "fan-07"
    assert tag.get("test_point") is None
    assert tagged_point(tag) == "void"
    assert tag["note"] == f"void: job {bench.job}, step inductance-u-v: {WHY}"


@pytest.mark.parametrize(
    "reason", [WHY * 20, "wrong machine:\nthe label\tof fan-08 was on it", "x" * 2000]
)
def test_a_reason_of_many_letters_or_lines_voids_a_job_with_readings(bench, reason):
    """A note of a tag is one line of 200 letters: whoever said more could not void the job."""
    bench.begin("three-pair-inductance")
    bench.take("inductance-u-v", bench.pair("u-v"))
    state = void(bench, reason=reason)
    assert state.voided.reason == reason
    for each in state.step("inductance-u-v").readings:
        note = bench.reader.with_tag(json.loads(bench.reader.entry(each).body))["tag"]["note"]
        assert note.startswith(f"void: job {bench.job}, step inductance-u-v: {reason[:13]}")


def test_what_a_person_tied_to_the_right_machine_since_is_left_as_it_is(bench):
    coils_job(bench)
    (taken, _) = bench.step("inductance-u-v").readings
    right = Tag(
        id=new_id(),
        site="sawmill",
        bench="bench-1",
        instrument="lcr-1",
        reading=taken,
        time=bench.clock.utc(),
        operator="foreman",
        machine="fan-08",
        supersedes=bench.reader.current_tag_id(taken),
    )
    bench.append([right])
    void(bench)
    assert tag_of(bench, taken)["machine"] == "fan-08"
    assert "void" not in str(tag_of(bench, taken))


def test_no_later_value_is_held_against_what_it_found(bench):
    coils_job(bench)
    (taken, _) = bench.step("inductance-u-v").readings
    point = tag_of(bench, taken)["test_point"]
    draft = bench.draft("inductance", 6.23, tag={"machine": "fan-07", "test_point": point})
    asked = [each.words for each in odd_outside_a_job(bench.reader, [draft])]
    assert any("earlier" in each for each in asked)
    void(bench)
    asked = [each.words for each in odd_outside_a_job(bench.reader, [draft])]
    assert not any("earlier" in each for each in asked)


def test_the_watch_takes_nothing_for_it_and_says_what_comes_in(bench):
    bench.begin("three-pair-inductance")
    bench.watching()
    void(bench)
    bench.follow()
    assert not bench.watch.in_use
    bench.show("inductance", [None, 0.0623, 0.0623])
    assert "the job is voided: no step takes it" in bench.watch.seen.reason
    assert bench.step("inductance-u-v").readings == ()
