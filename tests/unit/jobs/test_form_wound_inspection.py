"""A form-wound machine of 6 kV that comes in: ten minutes of insulation, from first step to verdict."""

import pytest
from whole_jobs import adopt, do, verdicts

from capture.model.machine import Nameplate

PLATE = Nameplate(rated_volts=6000, connection="star", winding="form", year=2004, thermal_class=155)
PULSES = ("112.6 µs", "112.4 µs", "112.9 µs", "112.7 µs", "112.8 µs", "112.5 µs")
MINUTE = "insulation resistance after 60 s, at 40 °C"
INDEX = "polarization index"


def shown(half=1.0e9, minute=1.5e9, ten=4.5e9):
    return {
        **{f"resistance-{pair}": 0.82 for pair in ("u-v", "v-w", "w-u")},
        **{f"inductance-{pair}": (0.0623, 0.83) for pair in ("u-v", "v-w", "w-u")},
        "insulation": [half, minute, ten],
        "pulse": PULSES,
    }


@pytest.fixture
def fan(bench):
    adopt(bench)
    bench.begin("form-wound-inspection", plate=PLATE, winding_celsius=40.0, rotor="out")
    return bench


def test_a_sound_machine_passes_with_an_index_of_three(fan):
    """1.5 GΩ after one minute, 4.5 GΩ after ten: 3 of at least 2 (thermal class F)."""
    found = do(fan, shown())
    told = verdicts(found)
    assert (told[MINUTE], told[INDEX]) == ("pass", "pass")
    assert next(each.value for each in found.results if each.name == INDEX) == pytest.approx(3)
    assert found.verdict == "pass"
    assert found.not_run == ()


def test_a_damp_winding_fails_by_its_index_though_its_minute_is_enough(fan):
    """150 MΩ of 100 MΩ, and hardly more after ten minutes: 1.2 of at least 2 (by hand)."""
    ohms = {"insulation": [140e6, 150e6, 180e6]}
    for step, values in (shown() | ohms).items():
        if step.startswith("resistance"):
            fan.take(step, [fan.reading("resistance", values)])
            fan.ramped_down(step)
    fan.take(
        "insulation", [fan.reading("insulation_resistance", each) for each in ohms["insulation"]]
    )
    found = fan.desk.now(fan.job)
    told = verdicts(found)
    assert (told[MINUTE], told[INDEX]) == ("pass", "fail")
    assert found.verdict == "fail"


def test_ten_minutes_under_voltage_ask_for_forty_on_earth(fan):
    fan.take("insulation", [fan.reading("insulation_resistance", each) for each in (1e9, 2e9, 5e9)])
    (applied,) = fan.state.applications
    assert applied.seconds == pytest.approx(600, abs=1)
    assert (applied.discharged_until - applied.ended).total_seconds() == pytest.approx(2400, abs=4)
