"""A slip-ring machine, gone through from the first step to the verdict, with known answers."""

import pytest
from whole_jobs import adopt, do, verdicts

from capture.jobs.guidance import guidance
from capture.jobs.procedure import load_procedure
from capture.model.machine import Nameplate
from capture.winding import load_limits

PLATE = Nameplate(
    rated_volts=6000,
    rotor_volts=800,
    connection="star",
    winding="form",
    year=2004,
    thermal_class=155,
    zero_resistance_celsius=235,
)
STATOR = "insulation resistance after 60 s, at 40 °C"
ROTOR = "insulation resistance K+L+M-frame earth U+V+W after 60 s, at 40 °C"
SOUND = {
    "resistance-u-v": 0.5,
    "resistance-v-w": 0.5,
    "resistance-w-u": 0.5,
    "resistance-k-l": 0.05,
    "resistance-l-m": 0.05,
    "resistance-m-k": 0.05,
    "insulation": [4e9, 6e9, 9e9],
    "insulation-rotor": [20e6, 30e6, 50e6],
}


@pytest.fixture
def rings(bench):
    adopt(bench)
    bench.begin("wound-rotor", plate=PLATE, winding_celsius=40.0, rotor="in")
    return bench


def test_a_sound_machine_has_no_fail_and_says_what_nothing_judges(rings):
    """50 MΩ of a rotor of 800 V: above 5 MΩ and above (0.8 + 1) MΩ, the two rows it may be in."""
    found = do(rings, SOUND)
    told = verdicts(found)
    assert told[STATOR] == told[ROTOR] == "pass"
    assert told["resistance unbalance (mean)"] == "pass"
    assert told["rotor resistance unbalance (mean)"] is None
    assert found.verdict == "inconclusive"
    assert "no limit for the resistance of K-L, L-M, M-K" in found.sentence


@pytest.mark.parametrize(
    ("ohms", "verdict"),
    [
        (50e6, "pass"),
        # Between the 1.8 MΩ of windings not named and the 5 MΩ of those below 1 kV.
        (3e6, "inconclusive"),
        (1.5e6, "fail"),
    ],
)
def test_a_rotor_is_held_against_both_rows_that_it_may_be_in(rings, ohms, verdict):
    found = do(rings, SOUND | {"insulation-rotor": [ohms / 2, ohms / 1.5, ohms]})
    assert verdicts(found)[ROTOR] == verdict
    assert verdicts(found)[STATOR] == "pass"
    assert (found.verdict == "fail") == (verdict == "fail")
    (rotor,) = [each for each in found.results if each.name == ROTOR]
    assert ("maker" in rotor.judgement.reason) == (verdict == "inconclusive")


def test_a_joint_of_the_rotor_shows_in_its_two_pairs(rings):
    """Phase L has 10 mΩ more: K-L and L-M read 60 against 50 mΩ, M-K as before."""
    found = do(rings, SOUND | {"resistance-k-l": 0.06, "resistance-l-m": 0.06})
    by_name = {each.name: each.value for each in found.results}
    # By hand: mean 170/3, farthest 50, so (170/3 - 50)/(170/3) = 2/17.
    assert by_name["rotor resistance unbalance (mean)"] == pytest.approx(100 * 2 / 17)
    assert by_name["resistance unbalance (mean)"] == pytest.approx(0, abs=1e-9)
    assert any(
        note == "K-L and L-M read more than M-K, and share L: look at ring L, its lead and phase"
        for note in found.notes
    )


def test_an_open_rotor_phase_passes_nothing(rings):
    for step in ("k-l", "l-m"):
        rings.take(f"resistance-{step}", [rings.reading("resistance", None)])
        rings.ramped_down(f"resistance-{step}")
    for step in ("resistance-m-k", "insulation"):
        shown = SOUND[step]
        ids = [
            rings.reading("resistance" if step == "resistance-m-k" else "insulation_resistance", x)
            for x in (shown if isinstance(shown, list) else [shown])
        ]
        rings.take(step, ids)
        if step == "resistance-m-k":
            rings.ramped_down(step)
    found = rings.desk.now(rings.job)
    assert found.verdict == "inconclusive"
    assert any("phase L of the rotor is open" in note for note in found.notes)


def test_without_its_voltage_a_rotor_is_read_and_not_judged(bench):
    adopt(bench)
    plate = PLATE.model_copy(update={"rotor_volts": None})
    bench.begin("wound-rotor", plate=plate, winding_celsius=40.0, rotor="in")
    found = do(bench, SOUND | {"insulation-rotor": [0.5e6, 0.6e6, 0.8e6]})
    assert verdicts(found)[ROTOR] is None
    assert found.verdict == "inconclusive"
    assert any("K+L+M-frame earth U+V+W: no limit" in note for note in found.notes)


# ── what is shown before the step ────────────────────────────────────────────────────────────


def rotor_step():
    steps = load_procedure("wound-rotor").steps
    return next(step for step in steps if step.id == "insulation-rotor")


def test_the_rotors_test_voltage_follows_from_its_own_rating():
    """Of 800 V the table names 500 V; by the stator's 6000 V it would name 2500 V to 5000 V."""
    found = guidance(rotor_step(), PLATE, load_limits())
    (setting,) = found.settings
    assert (setting.lowest, setting.highest) == (500, 500)
    assert "800 V rated of the rotor, open" in setting.words
    assert [bound.value for bound in found.bounds] == [5e6, pytest.approx(1.8e6)]
    assert found.missing == ("between these limits the result stays undecided",)


def test_without_a_rating_no_voltage_is_named_and_without_a_year_no_limit():
    unknown = PLATE.model_copy(update={"rotor_volts": None})
    (setting,) = guidance(rotor_step(), unknown, load_limits()).settings
    assert (setting.lowest, setting.highest) == (None, None)
    no_year = guidance(rotor_step(), PLATE.model_copy(update={"year": None}), load_limits())
    assert no_year.bounds == ()
    assert "year" in no_year.missing[0]


def test_the_other_winding_is_on_the_frame_while_one_is_tested():
    points = {step.id: step.points for step in load_procedure("wound-rotor-insulation").steps}
    assert points == {
        "insulation": ("U+V+W-frame earth K+L+M",),
        "insulation-rotor": ("K+L+M-frame earth U+V+W",),
    }
