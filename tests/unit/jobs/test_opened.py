"""The same procedure begun twice on one machine: only by somebody who knows of the other."""

import pytest

from capture.jobs.opened import OpenJobError
from capture.jobs.procedure import load_procedure
from capture.model import new_id
from capture.model.job import Finished, Noted, Paused
from capture.model.machine import Nameplate

INDUCTANCE = load_procedure("three-pair-inductance")


def start(bench, *, procedure=INDUCTANCE, machine="fan-07", **more):
    return bench.service.start(new_id(), machine, procedure, bench.who(), **more)


@pytest.mark.parametrize("paused", [False, True])
def test_it_is_refused_with_the_job_that_is_open(bench, paused):
    bench.begin("three-pair-inductance")
    if paused:
        bench.act(Paused(reason="tea break"))
    with pytest.raises(OpenJobError) as refused:
        start(bench)
    assert refused.value.job == bench.job
    said = str(refused.value)
    assert said.startswith(
        f"machine fan-07 has a job by this procedure that is {bench.state.status}: "
    )
    assert str(bench.job) in said
    assert "0 of 3 steps done, by technician" in said
    assert "\n" not in said
    assert len(bench.service.jobs()) == 1


def test_whoever_was_told_of_it_may_begin_one_beside_it(bench):
    bench.begin("three-pair-inductance")
    second = start(bench, beside=bench.job)
    with pytest.raises(OpenJobError, match=str(second.job)):
        start(bench, beside=bench.job)  # told of the older one, not of the one that came since
    start(bench, beside=second.job)
    start(bench, beside=True)
    assert len(bench.service.jobs()) == 4


@pytest.mark.parametrize("end", [Finished(), Noted(text="wrong machine", voids=True)])
def test_what_is_over_keeps_nobody(bench, end):
    bench.begin("three-pair-inductance")
    bench.act(end)
    start(bench)


def test_another_procedure_and_another_machine_keep_nobody(bench):
    bench.begin("three-pair-inductance")
    start(bench, procedure=load_procedure("three-pair-resistance"))
    bench.service.register("fan-08", Nameplate(), bench.who())
    start(bench, machine="fan-08")


def test_the_same_start_handed_in_again_is_no_second_one(bench):
    bench.service.register("fan-07", Nameplate(), bench.who())
    job, who = new_id(), bench.who()
    first = bench.service.start(job, "fan-07", INDUCTANCE, who)
    assert bench.service.start(job, "fan-07", INDUCTANCE, who) == first
