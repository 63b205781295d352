"""What is asked about keyed values of a step: a machine of which nothing is known, times, bounds."""

import pytest
from seen_at_the_desk import values_of

from capture.jobs.plausible import DoubtError
from capture.model import new_id
from capture.model.job import Redone
from capture.model.machine import Nameplate

BARE = Nameplate()
INSULATION = """
schema_version = 1
name = "insulation-only"
title = "Insulation"
[[steps]]
id = "insulation"
title = "Insulation"
points = ["U+V+W-frame"]
quantity = "insulation_resistance"
energy = "test-voltage"
take = { how = "timed", at_s = [15, 30, 60] }
"""


def asked(bench, step, typed):
    """Give the questions that a keying raises; nothing is stored then."""
    before = bench.count("reading")
    with pytest.raises(DoubtError) as error:
        bench.key(step, typed)
    assert bench.count("reading") == before
    return error.value.doubts


def test_the_first_pair_of_a_machine_that_nobody_described_is_asked_about(bench):
    """50.2 Ω for 50.2 mΩ: no power on the nameplate, no other pair, no earlier test."""
    bench.begin("three-pair-resistance", plate=BARE)
    (doubt,) = asked(bench, "resistance-u-v", ["50.2 Ω"])
    assert doubt.question.endswith("(is 50.2 mΩ meant?)")
    bench.key("resistance-u-v", ["50.2 mΩ"])
    assert values_of(bench, "resistance-u-v") == [pytest.approx(0.0502)]


def test_who_confirmed_the_first_pair_is_not_asked_about_the_next(bench):
    """A motor of a few hundred watts: asked about once."""
    bench.begin("three-pair-resistance", plate=BARE)
    keyed = bench.typed(["50.2 Ω"], confirmed=True)
    bench.key("resistance-u-v", keyed)
    bench.ramped_down("resistance-u-v")
    bench.key("resistance-v-w", ["50.1 Ω"])
    assert values_of(bench, "resistance-v-w") == [pytest.approx(50.1)]


def test_the_unit_of_an_earlier_job_of_the_machine_is_held_against_this_one(bench):
    """5.02 Ω of today passes by itself; the machine read 50.2 mΩ before, and 5.02 Ω is a slip."""
    bench.begin("three-pair-resistance", plate=BARE)
    bench.key("resistance-u-v", ["50.2 mΩ"])
    bench.job = new_id()
    bench.begin("three-pair-resistance", plate=BARE)
    for typed in ("5.02 Ω", "502 mΩ", "5.02 mΩ"):
        (doubt,) = asked(bench, "resistance-u-v", [typed])
        assert "earlier tests read" in doubt.words
    bench.key("resistance-u-v", ["50.4 mΩ"])


@pytest.mark.parametrize(
    ("typed", "at"),
    [
        (("498 MΩ", "649.9 MΩ", "867.7 kΩ"), "867.7 kΩ"),
        (("498 GΩ", "649.9 MΩ", "867.7 MΩ"), "498 GΩ"),
    ],
)
def test_one_of_the_values_of_a_series_in_another_unit_is_asked_about(bench, typed, at):
    bench.begin(INSULATION, plate=BARE)
    (doubt,) = asked(bench, "insulation", typed)
    assert at in doubt.words
    bench.key("insulation", ("498 MΩ", "649.9 MΩ", "867.7 MΩ"))


@pytest.mark.parametrize("typed", ["5.5 kΩ", ">5.5 kΩ", "500 mΩ", ">20 TΩ", "5,5 Ω"])
def test_an_insulation_that_no_tester_shows_is_asked_about(bench, typed):
    bench.begin(INSULATION, plate=BARE)
    (doubt,) = asked(bench, "insulation", [typed])
    assert typed in doubt.words
    bench.key("insulation", bench.typed([typed], confirmed=True))


@pytest.mark.parametrize("typed", ["5.5 MΩ", ">5.5 GΩ", "<1 MΩ", "1.2 TΩ", "OL"])
def test_an_insulation_that_a_tester_shows_is_not(bench, typed):
    bench.begin(INSULATION, plate=BARE)
    bench.key("insulation", [typed])
    assert bench.count("reading") == 1


def test_an_open_pair_is_a_finding_and_no_slip(bench):
    bench.begin("three-pair-resistance", plate=BARE)
    bench.key("resistance-u-v", [">200 Ω"])
    bench.act(Redone(step="resistance-u-v", reason="other range"))
    bench.key("resistance-u-v", ["OL"])
