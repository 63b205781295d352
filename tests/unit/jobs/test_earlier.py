"""Pulses alone: the lock says what to do, and what is known of the machine's insulation."""

import pytest

from capture.jobs.rules import LockedError
from capture.model import new_id
from capture.model.job import Applied, Overridden, Redone

ALONE = "this procedure has no step for it"


def lock(bench):
    held = bench.desk.view(bench.state)["steps"][0]["locks"]
    (found,) = [each for each in held if each["name"] == "insulation"]
    return found["words"]


def insulated(bench, ohms=3e9):
    """Test the machine's insulation in a job of its own."""
    bench.begin("insulation-one-minute", winding_celsius=22.0)
    readings = [bench.reading("insulation_resistance", ohms) for _ in range(3)]
    bench.take("insulation", readings, applied_seconds=60)


def pulses_alone(bench):
    bench.job = new_id()
    bench.begin("pulse-six-readings")


def test_pulses_alone_are_locked_and_the_way_out_is_said(bench, six):
    pulses_alone(bench)
    with pytest.raises(LockedError, match=ALONE) as held:
        bench.key("pulse", six)
    assert "pass this lock with that as the reason" in str(held.value)
    assert lock(bench).endswith("; of this machine there is none in the journal")
    bench.act(Overridden(step="pulse", lock="insulation", reason="read this morning, 3 GOhm"))
    bench.key("pulse", six)


def test_where_the_procedure_has_the_step_no_way_round_it_is_said(bench):
    bench.begin("after-rewind")
    steps = {each["id"]: each for each in bench.desk.view(bench.state)["steps"]}
    (held,) = steps["pulse"]["locks"]
    assert held["words"] == "take the insulation resistance first: it is missing"


def test_the_newest_insulation_of_the_machine_is_named_and_unlocks_nothing(bench, six):
    """A person decides whether the winding is still what was tested then."""
    insulated(bench)
    tested = bench.job
    pulses_alone(bench)
    at = bench.clock.utc()
    assert f"the newest of this machine was taken {at:%Y-%m-%d %H:%M} UTC in job {tested}" in lock(
        bench
    )
    assert "has not failed" in lock(bench)
    assert "nobody has confirmed its discharge" in lock(bench)
    with pytest.raises(LockedError):
        bench.key("pulse", six)
    own, bench.job = bench.job, tested
    bench.discharge()
    bench.job = own
    assert "nobody has confirmed" not in lock(bench)


def test_an_insulation_that_has_failed_is_said_to_have(bench):
    insulated(bench, 2e5)
    pulses_alone(bench)
    assert "has failed, or is undecided: no pulses on this winding" in lock(bench)


def test_one_that_was_opened_again_is_none(bench):
    insulated(bench)
    bench.act(Redone(step="insulation", reason="damp"))
    bench.discharge()
    pulses_alone(bench)
    assert lock(bench).endswith("there is none in the journal")


def test_a_test_that_was_broken_off_waits_for_its_discharge_too(bench):
    """It has left no reading, but its voltage."""
    insulated(bench)
    bench.discharge()
    bench.job = broken_off = new_id()
    bench.begin("insulation-one-minute", winding_celsius=22.0)
    bench.act(Applied(step="insulation", seconds=20))
    pulses_alone(bench)
    assert lock(bench).endswith(f"nobody has confirmed the discharge of a test in job {broken_off}")
    own, bench.job = bench.job, broken_off
    bench.discharge()
    bench.job = own
    assert "nobody has confirmed" not in lock(bench)


def test_so_it_does_where_no_test_was_ever_taken(bench):
    bench.begin("insulation-one-minute", winding_celsius=22.0)
    bench.act(Applied(step="insulation", seconds=20))
    broken_off = bench.job
    pulses_alone(bench)
    assert lock(bench).endswith(
        "there is none in the journal, and nobody has confirmed the discharge of a test in job "
        f"{broken_off}"
    )


def test_of_two_the_newer_one_is_named(bench):
    insulated(bench)
    bench.discharge()
    bench.clock.advance(86_400)
    bench.job = new_id()
    insulated(bench, 2e5)
    newer = bench.job
    pulses_alone(bench)
    assert str(newer) in lock(bench)
    assert "has failed" in lock(bench)
