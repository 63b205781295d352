"""A separately excited DC machine, gone through from the first step to the verdict."""

from pathlib import Path

import pytest
from whole_jobs import adopt, do, verdicts

from capture.jobs.guidance import guidance
from capture.jobs.procedure import load_procedure
from capture.model.machine import Nameplate
from capture.winding import load_limits

EXAMPLE = Path(__file__).parents[3] / "examples/procedures/armature-bars.toml"
PLATE = Nameplate(rated_volts=440, excitation_volts=220, winding="dc-armature", year=2004)
ARMATURE = "insulation resistance after 60 s, at 40 °C"
FIELD = "insulation resistance F1+F2-frame earth A1+A2 after 60 s, at 40 °C"
SOUND = {
    "resistance-armature": 0.25,
    "resistance-field": 110.0,
    "insulation": [40e6, 60e6, 90e6],
    "insulation-field": [80e6, 90e6, 120e6],
}


@pytest.fixture
def dc(bench):
    adopt(bench)
    bench.begin("dc-machine", plate=PLATE, winding_celsius=40.0)
    return bench


def test_a_sound_machine_passes_its_insulation_and_says_that_nothing_judges_its_resistances(dc):
    found = do(dc, SOUND)
    told = verdicts(found)
    assert told[ARMATURE] == told[FIELD] == "pass"
    assert found.verdict == "inconclusive"
    assert "no limit for the resistance of A1-A2, F1-F2" in found.sentence


@pytest.mark.parametrize(
    ("step", "ohms", "armature", "field"),
    [
        # 5 MΩ of an armature; (0.22 + 1) MΩ of the field, by its own voltage (IEEE Std 43, public
        # texts). 1.4 MΩ would be too little by the armature's.
        ("insulation", 4e6, "fail", "pass"),
        ("insulation-field", 1.0e6, "pass", "fail"),
        ("insulation-field", 1.4e6, "pass", "pass"),
    ],
)
def test_each_circuit_is_held_against_its_own_least(dc, step, ohms, armature, field):
    told = verdicts(do(dc, SOUND | {step: [ohms / 1.6, ohms / 1.3, ohms]}))
    assert (told[ARMATURE], told[FIELD]) == (armature, field)


def test_a_field_that_is_open_is_told(dc):
    found = do(dc, SOUND | {"resistance-field": None})
    assert "no number for the resistance of F1-F2" in found.sentence


def test_each_circuit_is_tested_by_its_own_voltage():
    steps = {step.id: step for step in load_procedure("dc-machine").steps}
    plate = PLATE.model_copy(update={"rated_volts": 1200.0})
    (armature,) = guidance(steps["insulation"], plate, load_limits()).settings
    field = guidance(steps["insulation-field"], plate, load_limits())
    assert (armature.lowest, armature.highest) == (500, 1000)
    assert (field.settings[0].lowest, field.settings[0].highest) == (500, 500)
    assert [bound.value for bound in field.bounds] == [pytest.approx(1.22e6)]
    unknown = plate.model_copy(update={"excitation_volts": None})
    (setting,) = guidance(steps["insulation-field"], unknown, load_limits()).settings
    assert setting.lowest is None


def test_a_coil_with_shorted_turns_is_named_by_its_pole(bench):
    """Of 27.5, 27.5, 24 and 27.5 Ω the mean is 26.625: the third is 9.9 % below it (by hand)."""
    adopt(bench)
    bench.begin("dc-field-coils-four", plate=PLATE)
    found = do(bench, {"coils": ("27.5 Ω", "27.5 Ω", "24 Ω", "27.5 Ω")})
    assert found.verdict == "fail"
    assert found.results[0].value == pytest.approx(100 * 2.625 / 26.625)
    assert any("3F1-3F2 is farthest from the mean, by -9.9 %" in note for note in found.notes)


def test_four_coils_alike_pass(bench):
    adopt(bench)
    bench.begin("dc-field-coils-four", plate=PLATE)
    assert do(bench, {"coils": ("27.5 Ω", "27.4 Ω", "27.6 Ω", "27.5 Ω")}).verdict == "pass"


def test_the_example_of_24_bars_goes_once_round_and_names_the_joint(bench):
    adopt(bench)
    text = EXAMPLE.read_text("utf-8")
    bench.begin(text, plate=PLATE)
    (step,) = bench.state.procedure.steps
    ends = [point.split("-") for point in step.points]
    assert [second for _, second in ends] == [first for first, _ in ends[1:] + ends[:1]]
    shown = ["10.0 mΩ"] * 24
    shown[6] = "14.0 mΩ"
    found = do(bench, {"bars": shown})
    assert any("BAR7-BAR8 is farthest from the mean, by +37.7 %" in note for note in found.notes)
    assert found.verdict != "pass"
