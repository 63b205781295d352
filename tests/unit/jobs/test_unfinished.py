"""A kind of test of which a part was left out: what the other parts show passes nothing by itself."""

import pytest
from whole_jobs import adopt, do

from capture.jobs.procedure import load_procedure
from capture.model.job import Skipped
from capture.model.machine import Nameplate

PLATE = Nameplate(rated_volts=400, rotor_volts=230, winding="random", year=2004)
SOUND = [40e6, 60e6, 90e6]


@pytest.mark.parametrize("left_out", [False, True])
@pytest.mark.parametrize(
    ("procedure", "step"),
    [("wound-rotor-insulation", "insulation-rotor"), ("six-ends-insulation", "insulation-v")],
)
@pytest.mark.parametrize(("first", "verdict"), [(SOUND, "pass"), ([2e6, 3e6, 4e6], "fail")])
def test_what_was_left_out_keeps_the_rest_from_passing_and_not_from_failing(
    bench, procedure, step, left_out, first, verdict
):
    """A stator alone gave a whole slip-ring machine an overall pass."""
    adopt(bench)
    bench.begin(procedure, plate=PLATE, winding_celsius=40.0)
    shown = {each.id: SOUND for each in load_procedure(procedure).steps}
    for each in load_procedure(procedure).steps:
        if len(each.take.at_s) == 1:
            shown[each.id] = [90e6]
    shown["insulation"] = first
    if left_out:
        bench.act(Skipped(step=step, reason="cannot be reached"))
        del shown[step]
    found = do(bench, shown)
    assert found.verdict == ("inconclusive" if left_out and verdict == "pass" else verdict)
    assert found.not_run == (("insulation",) if left_out else ())
    assert ("not run: insulation" in found.sentence) is left_out
