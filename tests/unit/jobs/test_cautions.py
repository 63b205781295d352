"""Whatever a step puts on a winding, what protects from it stands among its cautions."""

import pytest

from capture.jobs.procedure import built_in, load_procedure

STEPS = [(name, step) for name in built_in() for step in load_procedure(name).steps]
WORDS = {
    "test-voltage": ("Keep everybody away", "earth", "four times as long", "prove it discharged"),
    "pulse": ("Keep everybody away", "end the pulses, earth", "prove it discharged"),
    "direct-current": ("current", "before a lead is moved"),
}


@pytest.mark.parametrize(
    ("name", "step"), [pytest.param(*each, id=f"{each[0]} {each[1].id}") for each in STEPS]
)
def test_a_step_says_what_protects_from_what_it_puts_on_a_winding(name, step):
    said = " ".join(step.cautions)
    assert [words for words in WORDS.get(step.energy, ()) if words not in said] == []


@pytest.mark.parametrize("name", built_in())
def test_a_procedure_begins_with_isolation_and_discharge(name):
    first, second = load_procedure(name).cautions[:2]
    assert "Isolate" in first
    assert "lock it off" in first
    assert "Discharge the winding before it is touched" in second
