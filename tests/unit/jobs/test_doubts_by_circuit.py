"""A value is held against its likes: a rotor's against the rotor's, never against the stator's."""

import pytest
from test_keyed_loss import frame

from capture.jobs.plausible import DoubtError
from capture.model.machine import Nameplate

_STEP = """
[[steps]]
id = "{}"
title = "Inductance"
points = ["{}"]
quantity = "inductance"
energy = "none"
take = {{ how = "settled" }}
"""
STATOR_AND_ROTOR = """
schema_version = 1
name = "stator-and-rotor"
title = "Inductance of stator and rotor"
""" + "".join(
    _STEP.format(*each) for each in (("stator", "U-V"), ("rotor-k-l", "K-L"), ("rotor-l-m", "L-M"))
)


@pytest.fixture
def rings(bench):
    """A job with the stator's three resistances taken, and one of the rotor's."""
    bench.begin("wound-rotor", plate=Nameplate(rated_volts=690, connection="star"))
    for step, shown in (("u-v", "800 mΩ"), ("v-w", "801 mΩ"), ("w-u", "800 mΩ")):
        bench.key(f"resistance-{step}", bench.typed([shown]))
        bench.ramped_down(f"resistance-{step}")
    return bench


def test_a_rotor_of_few_turns_is_no_slip_of_the_stators_prefix(rings):
    """12 mΩ beside 800 mΩ is 67 times less; up to now it was asked about at each of three steps."""
    rings.key("resistance-k-l", rings.typed(["12 mΩ"]))
    assert rings.step("resistance-k-l").readings


def test_a_slip_among_the_rotors_own_pairs_is_still_asked_about(rings):
    rings.key("resistance-k-l", rings.typed(["12 mΩ"]))
    rings.ramped_down("resistance-k-l")
    with pytest.raises(DoubtError, match="1000 times more"):
        rings.key("resistance-l-m", rings.typed(["12 Ω"]))


def test_the_stators_pairs_are_still_held_against_each_other(bench):
    bench.begin("three-pair-resistance", plate=Nameplate())
    bench.key("resistance-u-v", bench.typed(["800 mΩ"]))
    bench.ramped_down("resistance-u-v")
    with pytest.raises(DoubtError, match="1000 times more"):
        bench.key("resistance-v-w", bench.typed(["800 Ω"]))


def test_a_nameplate_lets_expect_nothing_of_a_rotor(bench):
    """By 500 kW and 60 A the stator has 0.1 Ω and more; a rotor of 2.4 mΩ was to be 2.4 Ω."""
    plate = Nameplate(rated_volts=6000, rated_watts=500e3, rated_amperes=60, rotor_volts=800)
    bench.begin("wound-rotor-resistance", plate=plate)
    bench.key("resistance-k-l", bench.typed(["2.4 mΩ"]))
    assert bench.step("resistance-k-l").readings


def test_a_nameplate_still_asks_about_the_stators_prefix(bench):
    plate = Nameplate(rated_volts=6000, rated_watts=500e3, rated_amperes=60, rotor_volts=800)
    bench.begin("wound-rotor", plate=plate)
    with pytest.raises(DoubtError, match="the nameplate lets expect"):
        bench.key("resistance-u-v", bench.typed(["2.4 mΩ"]))


def test_a_rotors_loss_is_not_held_against_the_stators(bench):
    """Q 13.4 of the stator's coils asks nothing of a rotor with Q 1.3; its own pairs do."""
    bench.begin(STATOR_AND_ROTOR, plate=Nameplate(), rotor="in")
    for step, loss in (("stator", "Q 13.4"), ("rotor-k-l", "Q 1.3")):
        bench.key(step, frame(bench, ("62.1 mH", loss)))
        assert bench.step(step).readings
    with pytest.raises(DoubtError, match=r"the other pairs have a Q of 1\.3:"):
        bench.key("rotor-l-m", frame(bench, ("62.1 mH", "Q 13.4")))
