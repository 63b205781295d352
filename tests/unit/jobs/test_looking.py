"""Looking at thousands of jobs: what is over is told by its newest entry, and not replayed."""

import pytest

from capture.jobs.service import JobService
from capture.jobs.state import OVER
from capture.model import new_id
from capture.model.job import Applied, Discharged, Finished, Noted, Paused, SignedOff

ENDS = (
    (Finished(),),
    (Finished(), SignedOff()),
    (Noted(text="wrong machine", voids=True),),
    (Finished(), SignedOff(), Noted(text="wrong machine", voids=True)),
)


@pytest.fixture
def many(bench):
    """Many jobs that are over, each in its own way, one that runs and one that is paused."""
    for end in ENDS:
        bench.job = new_id()
        bench.begin("three-pair-inductance")
        for event in end:
            bench.act(event)
    bench.job = new_id()
    bench.begin("three-pair-inductance")
    bench.act(Paused(reason="tea break"))
    bench.job = new_id()
    bench.begin("insulation-one-minute")
    return bench


def counted(bench, monkeypatch):
    """Give a service that remembers nothing, and the jobs that it replays."""
    made = JobService(bench.reader, bench.append, bench.clock, "sawmill", "bench-1")
    replayed = []
    state = made.state
    monkeypatch.setattr(made, "state", lambda job: replayed.append(job) or state(job))
    return made, replayed


def test_only_what_may_be_under_way_is_replayed(many, monkeypatch):
    service, replayed = counted(many, monkeypatch)
    found = service.under_way()
    assert [state.job for state in found] == [
        state.job for state in many.service.jobs() if state.status not in OVER
    ]
    assert len(replayed) == 2


def test_one_that_owes_something_after_its_end_is_replayed_once(many, monkeypatch):
    many.act(Applied(step="insulation", seconds=60))
    many.act(Finished())
    many.clock.advance(300)
    many.act(Discharged(step="insulation"))
    service, replayed = counted(many, monkeypatch)
    assert len(service.under_way()) == 1
    assert many.job in replayed
    replayed.clear()
    assert len(service.under_way()) == 1
    assert many.job not in replayed


def test_those_that_somebody_stands_for_are_told_without_a_replay(many, monkeypatch):
    many.act(Finished())
    many.act(SignedOff())
    service, replayed = counted(many, monkeypatch)
    expected = [s.job for s in many.service.jobs()[::-1] if s.status == "signed-off"]
    assert service.signed_off() == expected
    assert len(expected) == 2
    assert many.job not in replayed


def test_the_watch_takes_in_what_matters_now_and_no_more(many):
    last = many.job
    watch = many.watching()
    open_ = {state.job for state in many.service.under_way()}
    assert set(watch._jobs.states) == open_
    assert watch.in_use
    assert watch.seen.job == last


def test_the_watch_of_a_bench_without_work_knows_the_job_that_was_worked_on_last(many):
    for state in many.service.under_way():
        many.job = state.job
        many.act(Finished())
    last = many.service.worked_on_last()
    watch = many.watching()
    assert last in watch._jobs.states
    assert not watch.in_use


def test_a_discharge_that_a_job_long_over_owes_holds_what_is_taken_by_itself(bench):
    bench.begin("insulation-one-minute")
    bench.act(Applied(step="insulation", seconds=60))
    bench.act(Finished())
    bench.clock.advance(3600)
    old = bench.job
    bench.job = new_id()
    bench.begin("three-pair-inductance")
    bench.watching()
    bench.touch("inductance", 0.0623)
    assert bench.step("inductance-u-v").readings == ()
    assert f"confirm that in job {old}" in bench.watch.seen.reason
