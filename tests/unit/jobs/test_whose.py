"""No test voltage from a nameplate for what has a voltage of its own."""

import pytest

from capture.jobs.guidance import guidance
from capture.jobs.procedure import Step
from capture.jobs.whose import of_its_own
from capture.model.machine import Nameplate
from capture.winding import load_limits

LIMITS = load_limits()
SIX_KV = Nameplate(rated_volts=6000, year=2015, winding="form")


def told(point, plate=SIX_KV, quantity="insulation_resistance"):
    timed = {"how": "timed", "at_s": [60]}
    step = Step.model_validate(
        {
            "id": "step",
            "title": "Step",
            "points": [point],
            "quantity": quantity,
            "energy": "test-voltage",
            "cautions": ["The tester puts its voltage on the winding."],
            "take": timed if quantity == "insulation_resistance" else {"how": "settled"},
        }
    )
    return of_its_own(guidance(step, plate, LIMITS), step, plate)


@pytest.mark.parametrize("point", ["K+L+M-frame", "R1-frame", "HE1-frame", "F1+F2-frame"])
def test_the_voltage_of_the_stator_is_named_for_nothing_else(point):
    found = told(point)
    (setting,) = found.settings
    assert (setting.lowest, setting.highest) == (None, None)
    assert "5000" not in setting.words
    assert point.partition("-")[0] in setting.words
    assert "licensed practice decide" in setting.words
    assert found.bounds == ()
    assert point.partition("-")[0] in found.missing[0]


def test_the_winding_that_the_nameplate_speaks_of_is_told_as_before():
    # IEEE Std 43-2013, table 1, from public texts: 2500 V to 5000 V for 6000 V rated.
    (setting,) = told("U+V+W-frame").settings
    assert (setting.lowest, setting.highest) == (2500, 5000)
    (bound,) = told("U+V+W-frame").bounds
    assert bound.value == 100e6


def test_a_resistance_of_the_rotor_puts_no_test_voltage_on_it():
    assert told("K-L", quantity="resistance").settings == ()


def test_nothing_is_made_up_where_no_rated_voltage_is_known():
    (setting,) = told("K+L+M-frame", Nameplate()).settings
    assert "rated voltage is not that of K+L+M" in setting.words
