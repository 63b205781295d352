"""A value is held against its likes: a rotor's against the rotor's, never against the stator's."""

import pytest

from capture.jobs.plausible import DoubtError
from capture.model.machine import Nameplate


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
