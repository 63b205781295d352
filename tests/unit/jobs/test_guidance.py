"""What follows from the nameplate for a step: numbers with their published source, or none."""

import pytest

from capture.jobs.guidance import guidance
from capture.jobs.procedure import built_in, load_procedure
from capture.model.machine import Nameplate
from capture.winding import load_limits

LIMITS = load_limits()


def step_of(procedure, id_):
    return next(each for each in load_procedure(procedure).steps if each.id == id_)


def insulation(**plate):
    step = step_of("insulation-one-minute", "insulation")
    return guidance(step, Nameplate(**plate), LIMITS)


# IEEE Std 43-2013, table 1, from public texts that quote it (no copy of the standard was at hand).
@pytest.mark.parametrize(
    ("rated", "lowest", "highest"),
    [
        (230, 500, 500),
        (460, 500, 500),
        (999.9, 500, 500),
        (1000, 500, 1000),
        (2500, 500, 1000),
        (2501, 1000, 2500),
        (5000, 1000, 2500),
        (5001, 2500, 5000),
        (12_000, 2500, 5000),
        (12_001, 5000, 10_000),
    ],
)
def test_the_insulation_test_voltage_is_that_of_the_table_and_names_it(rated, lowest, highest):
    (setting,) = insulation(rated_volts=rated, year=2004).settings
    assert (setting.lowest, setting.highest, setting.unit) == (lowest, highest, "V")
    assert setting.source.startswith("IEEE Std 43-2013")
    assert f"for {rated:g} V rated" in setting.words
    assert "licensed practice decide" in setting.words


@pytest.mark.parametrize("point", ["K+L+M-frame", "R1-frame", "F1-frame", "U+V+W-R1"])
def test_no_voltage_is_named_for_a_circuit_that_the_nameplate_does_not_speak_of(point):
    """What a stator of 6600 V is tested with ruins a detector, and whoever holds its leads."""
    step = step_of("insulation-one-minute", "insulation").model_copy(update={"points": (point,)})
    found = guidance(step, Nameplate(rated_volts=6600, year=2004, winding="form"), LIMITS)
    (setting,) = found.settings
    assert (setting.lowest, setting.highest, found.bounds) == (None, None, ())
    assert "these terminals are of another circuit" in setting.words
    assert "no limit" in found.missing[0]
    of_dc = guidance(step, Nameplate(rated_volts=220, year=2004, winding="field"), LIMITS)
    # A field's own terminals are on that voltage; a detector in a field machine is not.
    assert of_dc.settings[0].lowest == (500 if point == "F1-frame" else None)


@pytest.mark.parametrize("point", ["U1+U2-frame", "T1+T2+T3-frame", "2U+2V+2W-PE", "U-V"])
def test_the_stators_own_terminals_are_tested_by_its_voltage(point):
    step = step_of("insulation-one-minute", "insulation").model_copy(update={"points": (point,)})
    found = guidance(step, Nameplate(rated_volts=6600, year=2004, winding="form"), LIMITS)
    assert found.settings[0].lowest == 2500


def test_without_a_rated_voltage_there_is_no_test_voltage_and_no_limit():
    found = insulation(year=2004)
    (setting,) = found.settings
    assert (setting.lowest, setting.highest) == (None, None)
    assert "gives no rated voltage" in setting.words
    assert not any(character.isdigit() for character in setting.words)
    assert found.bounds == ()
    assert "rated voltage" in found.missing[0]


# IEEE Std 43-2013, 12.3, from public texts: megohms after one minute at 40 °C.
@pytest.mark.parametrize(
    ("plate", "megohms"),
    [
        ({"rated_volts": 400, "winding": "random", "year": 2004}, 5),
        ({"rated_volts": 400, "winding": "concentric", "year": 2004}, 5),
        ({"rated_volts": 690, "winding": "form", "year": 2004}, 5),
        ({"rated_volts": 6600, "winding": "form", "year": 2004}, 100),
        ({"rated_volts": 4160, "winding": "form", "year": 1965}, 5.16),
        ({"rated_volts": 13_800, "winding": "field", "year": 2004}, 14.8),
    ],
)
def test_the_least_insulation_is_that_of_the_standard(plate, megohms):
    (bound,) = insulation(**plate).bounds
    assert bound.value == pytest.approx(megohms * 1e6)
    assert bound.side == "lower"
    assert "IEEE Std 43" in bound.source
    assert f"{megohms:g} MΩ after 1 min, at 40 °C" in bound.words
    assert not bound.binding  # nobody has confirmed it in a copy, or adopted it


def test_a_limit_that_the_site_adopted_decides():
    adopted = load_limits(site={"insulation-random": {"adopted": True}})
    step = step_of("insulation-one-minute", "insulation")
    plate = Nameplate(rated_volts=400, year=2004)
    (bound,) = guidance(step, plate, adopted).bounds
    assert bound.binding


def test_an_unknown_kind_of_winding_has_both_limits_and_says_what_comes_of_it():
    """IEEE Std 43-2013, 12.3, and ANSI/EASA AR100-2020, as above."""
    found = insulation(rated_volts=6600, year=2004)
    assert [(each.value, each.words) for each in found.bounds] == [
        (5e6, "at least 5 MΩ after 1 min, at 40 °C, if random-wound"),
        (100e6, "at least 100 MΩ after 1 min, at 40 °C, if form-wound"),
    ]
    assert "the kind of winding is not known" in found.missing[0]
    assert "undecided" in found.missing[0]
    assert insulation(rated_volts=400, year=2004).missing == ()
    resistance = guidance(step_of("three-pair-resistance", "resistance-u-v"), Nameplate(), LIMITS)
    assert [each.value for each in resistance.bounds] == [2.0, 1.0]
    assert "the kind of winding is not known" in resistance.missing[0]


def test_concentric_is_no_make_and_its_phases_are_not_alike():
    """Limits as above; what is said of differences is common practice, no source."""
    found = insulation(rated_volts=6600, year=2004, winding="concentric")
    assert [each.value for each in found.bounds] == [5e6, 100e6]
    (told,) = found.missing
    assert told.startswith("concentric does not say how coils are made: between the limits of")
    assert insulation(rated_volts=400, year=2004, winding="concentric").missing == ()
    plate = Nameplate(winding="concentric")
    resistance = guidance(step_of("three-pair-resistance", "resistance-u-v"), plate, LIMITS)
    assert [each.value for each in resistance.bounds] == [2.0, 1.0]
    assert ["how coils are made" in each for each in resistance.missing] == [True, False]
    for procedure, step, bounds in (
        ("three-pair-resistance", "resistance-u-v", 2),
        ("pulse-three-pairs", "pulse", 1),
        ("three-pair-inductance", "inductance-u-v", 2),
    ):
        for kind in ("concentric", "random"):
            told = guidance(step_of(procedure, step), Nameplate(winding=kind), LIMITS)
            apart = [each for each in told.missing if "may differ by construction" in each]
            assert len(apart) == (kind == "concentric"), step
        assert len(guidance(step_of(procedure, step), plate, LIMITS).bounds) == bounds


# ANSI/EASA AR100-2020, second-hand: 2 % random-wound, 1 % form-wound, at the motor's own leads.
@pytest.mark.parametrize(("winding", "percent"), [("random", 2.0), ("form", 1.0)])
def test_the_resistance_limit_follows_the_kind_of_winding(winding, percent):
    step = step_of("three-pair-resistance", "resistance-u-v")
    found = guidance(step, Nameplate(winding=winding), LIMITS)
    (bound,) = found.bounds
    assert (bound.value, bound.unit, bound.side) == (percent, "%", "upper")
    assert "AR100" in bound.source
    assert found.settings == ()


@pytest.mark.parametrize(
    ("procedure", "step", "limits"),
    [
        ("three-pair-resistance", "resistance-u-v", ["resistance-unbalance-random"]),
        ("six-ends", "resistance-u", ["resistance-unbalance-random"]),
        ("wound-rotor", "resistance-u-v", ["resistance-unbalance-random"]),
        ("wound-rotor", "resistance-k-l", []),
        ("dc-machine", "resistance-armature", []),
        ("dc-machine", "resistance-field", []),
        ("dc-field-coils-four", "coils", ["field-coil-deviation"]),
        ("single-phase", "resistance-main", []),
        ("single-phase", "resistance-auxiliary", []),
    ],
)
def test_a_resistance_is_told_the_limit_that_it_is_judged_by(procedure, step, limits):
    """Rotors, armatures and fields were shown the limit of a stator, which nothing held them to."""
    steps = load_procedure(procedure).steps
    (asked,) = [each for each in steps if each.id == step]
    found = guidance(asked, Nameplate(winding="random"), LIMITS, steps)
    assert [each.name for each in found.bounds] == limits
    assert ["no limit for this resistance" in each for each in found.missing] == [True] * (
        not limits
    )


def test_a_phase_beside_the_whole_is_told_both_limits_that_it_is_judged_by():
    """The step named 5 MΩ alone, and the result was held against twice that.

    Once: IEEE Std 43-2013, 12.3, as above. Twice: IEEE Std 43-2000, 12.3, from memory.
    """
    steps = load_procedure("six-ends").steps
    plate = Nameplate(rated_volts=400, winding="random", year=2004)
    told = {each.id: guidance(each, plate, LIMITS, steps) for each in steps}
    assert [each.value for each in told["insulation"].bounds] == [5e6]
    assert [each.value for each in told["insulation-u"].bounds] == [5e6, 10e6]
    assert "twice" in told["insulation-u"].bounds[1].source
    assert told["insulation-u"].missing == ("between these limits the result stays undecided",)
    # Without the whole only the once is known to hold.
    (alone,) = [each for each in steps if each.id == "insulation-u"]
    assert [each.value for each in guidance(alone, plate, LIMITS, [alone]).bounds] == [5e6]
    assert guidance(alone, Nameplate(rated_volts=400), LIMITS, steps).bounds == ()


def test_no_figure_is_proposed_for_a_pulse_voltage():
    step = step_of("pulse-six-readings", "pulse")
    (setting,) = guidance(step, Nameplate(rated_volts=400, year=2004), LIMITS).settings
    assert (setting.lowest, setting.highest) == (None, None)
    assert not any(character.isdigit() for character in setting.words)
    assert "never higher" in setting.words


@pytest.mark.parametrize("name", built_in())
def test_every_number_says_where_it_comes_from(name):
    for step in load_procedure(name).steps:
        found = guidance(step, Nameplate(rated_volts=400, year=2004), LIMITS)
        for each in (*found.settings, *found.bounds):
            assert each.source
            assert "safe" not in each.words
        for bound in found.bounds:
            assert bound.confidence
