"""Verdicts in lists: stored when a job is over, and never another than the job itself tells."""

import json

import pytest

from capture.jobs.results import ResultCache, ResultKeeper
from capture.jobs.told import _AT_ONCE, Told, Verdicts
from capture.model import new_id
from capture.model.job import Finished, JobEntry, Noted, SignedOff


@pytest.fixture
def computed(monkeypatch):
    """Count the jobs that are computed."""
    found = []
    now = ResultKeeper.now

    def counted(self, state, time):
        found.append(state.job)
        return now(self, state, time)

    monkeypatch.setattr(ResultKeeper, "now", counted)
    return found


def fresh(bench):
    """Give a desk that remembers nothing, as after a start."""
    return bench.another_desk()


def listed(desk):
    page, _ = desk.list_page(limit=50)
    return [(each["verdict"], each["doubt"]) for each in page]


def test_the_verdict_of_a_job_that_is_over_stands_in_the_entry_that_ended_it(bench, computed):
    bench.begin("three-pair-inductance", rotor="out")
    for pair in ("u-v", "v-w", "w-u"):
        bench.take(f"inductance-{pair}", bench.pair(pair))
    bench.act(Finished())
    view = bench.desk.view(bench.state)
    computed.clear()
    assert listed(fresh(bench)) == [(view["verdict"], view["doubt"])]
    assert view["doubt"]
    assert not computed
    bench.act(SignedOff())
    computed.clear()
    assert listed(fresh(bench)) == [(view["verdict"], view["doubt"])]
    assert not computed


def test_one_under_way_is_computed_once_and_says_what_was_not_run(bench, computed):
    bench.begin("three-pair-inductance")
    assert listed(bench.desk) == [("inconclusive", "not run: inductance")]
    assert listed(bench.desk) == [("inconclusive", "not run: inductance")]
    assert len(computed) == 1


def test_what_is_handed_in_as_a_verdict_is_replaced_by_the_computed_one(bench):
    bench.begin("three-pair-inductance")
    state = bench.act(Finished(verdict="pass", doubt="so I say"))
    assert (state.stated.verdict, state.stated.doubt) == ("inconclusive", "not run: inductance")


def test_ending_it_twice_under_one_id_ends_it_once(bench):
    bench.begin("three-pair-inductance")
    seen, who = bench.state.last, bench.who()
    first = bench.desk.act(bench.job, Finished(), who, seen)
    assert bench.desk.act(bench.job, Finished(), who, seen) == first
    assert bench.reader.last_n() == first.last


def test_a_machine_that_was_described_anew_since_is_judged_anew(bench, computed):
    bench.begin("three-pair-inductance")
    bench.act(Finished())
    plate = bench.service.machine("fan-07").nameplate.model_copy(update={"year": 1990})
    bench.service.register("fan-07", plate, bench.who())
    computed.clear()
    assert listed(fresh(bench)) == [("inconclusive", "not run: inductance")]
    assert len(computed) == 1


def old_end(bench, event):
    """Store an end as programs did that stored no verdict with it."""
    bench.append(
        [
            JobEntry(
                id=new_id(),
                site="sawmill",
                bench="bench-1",
                job=bench.job,
                time=bench.clock.utc(),
                operator="technician",
                event=event,
            )
        ]
    )


def test_of_many_that_were_ended_without_one_a_few_are_computed_for_each_list(bench, computed):
    for _ in range(_AT_ONCE + 2):
        bench.job = new_id()
        bench.begin("three-pair-inductance")
        old_end(bench, Finished())
    computed.clear()
    cache = ResultCache()
    first = bench.another_desk()
    first.told = Verdicts(first.service, first.results, cache)
    told = [verdict for verdict, _ in listed(first)]
    assert told == ["inconclusive"] * _AT_ONCE + [None] * 2
    assert len(computed) == _AT_ONCE
    second = bench.another_desk()
    second.told = Verdicts(second.service, second.results, cache)
    assert [verdict for verdict, _ in listed(second)] == ["inconclusive"] * (_AT_ONCE + 2)
    assert len(computed) == _AT_ONCE + 2, "what was told once is remembered"


def test_a_void_job_has_no_verdict_and_says_why(bench, computed):
    bench.begin("three-pair-inductance")
    bench.act(Noted(text="wrong machine", voids=True), "foreman")
    computed.clear()
    assert listed(fresh(bench)) == [("not applicable", "void, by foreman: wrong machine")]
    assert not computed


def test_a_pass_with_something_suspected_says_so_in_the_list(bench):
    bench.begin("three-pair-inductance", rotor="out")
    for pair, henries in (("u-v", 0.0623), ("v-w", 0.0623), ("w-u", 0.05)):
        bench.take(f"inductance-{pair}", bench.pair(pair, henries=henries))
    found = bench.desk.now(bench.job)
    assert found.suspicion.statement != "balanced"
    assert found.doubt.startswith(found.suspicion.words[0])


def test_of_a_job_signed_by_an_older_program_the_record_tells(bench, computed):
    bench.begin("three-pair-inductance")
    old_end(bench, Finished())
    old_end(bench, SignedOff())
    told = fresh(bench).told
    body = json.dumps({"verdict": "conditional pass", "sentence": "Overall conditional pass."})

    class Row:
        n = bench.reader.last_n() + 1
        body = None

    Row.body = body.encode()
    told._service.last_record = lambda _job: Row
    computed.clear()
    assert told.of(bench.state, bench.clock.utc()) == Told(
        "conditional pass", "Overall conditional pass."
    )
    assert not computed
