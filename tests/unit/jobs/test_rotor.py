"""Where the rotor was belongs to each measurement of a job."""

import pytest

from capture.model.job import ConditionsChanged, JobConditions, Overridden


def names(bench):
    return [each.name for each in bench.desk.now(bench.job).results]


def both_ways(bench, six, inductances, times):
    """Take inductances and pulse times, each with the rotor where it is said; gives the results."""
    bench.begin("after-rewind")
    bench.act(Overridden(step="pulse", lock="insulation", reason="tested yesterday"))
    for pair in ("u-v", "v-w", "w-u"):
        told = JobConditions(rotor=inductances)
        bench.take(f"inductance-{pair}", bench.pair(pair), conditions=told)
    bench.key("pulse", six, conditions=JobConditions(rotor=times))
    return bench.desk.now(bench.job)


def test_each_measurement_has_the_rotor_where_it_was_for_it(bench, six):
    """Inductances without it, pulse times with it: those get their word, and stand alone."""
    notes = " ".join(both_ways(bench, six, "out", "in").notes)
    assert "with the rotor in, pulse times depend on where it stands" in notes
    assert "with the rotor in, one angle cannot tell" not in notes
    assert "a fault is looked for with those read without it" in notes
    names_now = names(bench)
    assert "inductance unbalance (mean)" in names_now
    assert "pulse deviation (span-max)" in names_now


def test_so_it_has_the_other_way_round(bench, six):
    notes = " ".join(both_ways(bench, six, "in", "out").notes)
    assert "where it stands" not in notes
    assert "with the rotor in, one angle cannot tell" in notes
    assert "a fault is looked for with those read without it" in notes


@pytest.mark.parametrize("state", ["in", "out", "unknown"])
def test_what_was_read_with_the_rotor_in_one_place_stands_together(bench, six, state):
    notes = " ".join(both_ways(bench, six, state, state).notes)
    assert "a fault is looked for with" not in notes
    assert ("where it stands" in notes) is (state != "out")


def test_inductances_with_the_rotor_in_and_out_are_not_compared(bench):
    bench.begin("three-pair-inductance")
    for pair, rotor in (("u-v", "in"), ("v-w", "out"), ("w-u", "in")):
        told = JobConditions(rotor=rotor)
        bench.take(f"inductance-{pair}", bench.pair(pair), conditions=told)
    assert names(bench) == []
    assert "V-W was read with rotor out, U-V with in" in " ".join(bench.desk.now(bench.job).notes)


def test_what_was_said_of_the_rotor_later_holds_for_what_nobody_said_it_of(bench):
    bench.begin("three-pair-inductance")
    for pair in ("u-v", "v-w", "w-u"):
        bench.take(f"inductance-{pair}", bench.pair(pair))
    bench.act(ConditionsChanged(conditions=JobConditions(rotor="out")))
    assert "one angle cannot tell" not in " ".join(bench.desk.now(bench.job).notes)
