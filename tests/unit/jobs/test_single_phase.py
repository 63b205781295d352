"""A single-phase motor with its capacitor, gone through from the first step to the verdict."""

import pytest
from whole_jobs import adopt, do, verdicts

from capture.jobs.guidance import guidance
from capture.jobs.procedure import load_procedure
from capture.model.machine import Nameplate
from capture.winding import load_limits

PLATE = Nameplate(rated_volts=230, winding="random", year=2004)
INSULATION = "insulation resistance after 60 s, at 40 °C"
SOUND = {
    "resistance-main": 4.2,
    "resistance-auxiliary": 9.8,
    "insulation": [40e6, 60e6, 90e6],
    "capacitor": ("16.1 µF",),
}


@pytest.fixture
def motor(bench):
    adopt(bench)
    bench.begin("single-phase", plate=PLATE, winding_celsius=40.0)
    return bench


def test_both_windings_are_read_and_neither_is_held_against_the_other(motor):
    """4.2 and 9.8 Ω are sound: an auxiliary winding has thinner wire. Up to now U1-U2 was refused."""
    found = do(motor, SOUND)
    told = verdicts(found)
    assert {name for name, each in told.items() if each} == {INSULATION, "short absorption ratio"}
    assert set(told.values()) == {"pass"}
    assert found.verdict == "inconclusive"
    assert "no limit for the resistance of U1-U2, Z1-Z2" in found.sentence
    # U1-U2 without a limit, with limits for U1-U2, contradicted itself.
    told = "resistance at U1-U2, Z1-Z2: no limit; limits are for U-V, V-W, W-U"
    assert told in found.notes
    assert found.suspicion is None
    assert motor.step("capacitor").readings


@pytest.mark.parametrize(("ohms", "verdict"), [(4e6, "fail"), (6e6, "pass")])
def test_insulation_of_both_together_has_the_limit_of_the_whole(motor, ohms, verdict):
    found = do(motor, SOUND | {"insulation": [ohms / 2, ohms / 1.5, ohms]})
    assert verdicts(found)[INSULATION] == verdict


@pytest.mark.parametrize("winding", ["main", "auxiliary"])
def test_an_open_winding_is_told_by_its_ends_and_passes_nothing(motor, winding):
    found = do(motor, SOUND | {f"resistance-{winding}": None})
    ends = {"main": "U1-U2", "auxiliary": "Z1-Z2"}[winding]
    assert f"no number for the resistance of {ends}: open, or the leads are off" in found.sentence


def test_an_auxiliary_winding_is_on_the_machines_own_voltage():
    steps = {step.id: step for step in load_procedure("single-phase").steps}
    found = guidance(steps["insulation"], PLATE, load_limits())
    assert (found.settings[0].lowest, found.settings[0].highest) == (500, 500)
    assert [bound.value for bound in found.bounds] == [5e6]


def test_the_capacitor_is_proved_discharged_before_a_lead_is_put_on():
    procedure = load_procedure("single-phase")
    (step,) = [each for each in procedure.steps if each.id == "capacitor"]
    assert "before a lead is put on" in step.cautions[0]
    assert any("A capacitor holds its charge" in each for each in procedure.cautions)
