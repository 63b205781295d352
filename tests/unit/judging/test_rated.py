"""Insulation by place: the nameplate's limits are for its own winding, and for the whole of it."""

import pytest

from capture.errors import InputError
from capture.judging import assess
from capture.judging.rated import is_whole, speaks_of
from capture.model.testpoint import TestPoint
from capture.model.testset import TestSet

ADOPTED = {f"insulation-{kind}": {"adopted": True} for kind in ("random", "form")}
SIX_KV = {"rated_volts": 6000, "year": 2015, "winding": "form", "connection": "star"}
SIX_ENDS = {"rated_volts": 400, "year": 2015, "winding": "random", "connection": "open"}


@pytest.mark.parametrize(
    ("point", "winding", "own", "whole"),
    [
        ("U+V+W-frame", "form", True, True),
        ("frame-U1+V1+W1", "form", True, True),
        ("U1+U2+V1+V2+W1+W2-frame", "unknown", True, True),
        ("2U+2V+2W-frame", "random", True, True),
        ("U1-frame earth V1+W1", "random", True, False),
        ("U1+Z1-frame", "random", True, False),
        ("A1+A2-frame", "dc-armature", True, False),
        # IEC 60034-8 (from memory): K L M of a rotor, F of a separately excited field, R and TP of
        # detectors, HE of a heater. None of them is on the machine's rated voltage.
        ("K+L+M-frame", "form", False, False),
        ("F1-frame", "dc-armature", False, False),
        ("F1+F2-frame", "field", True, False),
        ("R1-frame", "form", False, False),
        ("1R1-frame", "form", False, False),
        ("TP1-frame", "random", False, False),
        ("HE1-frame", "random", False, False),
        ("U+V+W-R1", "form", False, False),
    ],
)
def test_whose_terminals_they_are(point, winding, own, whole):
    assert speaks_of(TestPoint.parse(point), winding) is own
    assert is_whole(TestPoint.parse(point)) is whole


def insulation(point, ohms, *, at=60.0):
    return {
        "id": f"{point} {at}",
        "quantity": "insulation_resistance",
        "unit": "Ohm",
        "value": ohms,
        "elapsed": at,
        "test_point": point,
    }


def judged(machine, *readings):
    given = {
        "schema_version": 1,
        "machine": {"id": "m", **machine},
        "conditions": {"winding_celsius": 40},
        "steps": ["insulation"],
        "readings": readings,
    }
    return assess(TestSet.model_validate(given), ADOPTED)


def verdicts(assessment):
    return {
        each.name: None if each.result.judgement is None else str(each.result.judgement.verdict)
        for each in assessment.results
    }


def test_a_rotor_is_not_held_against_the_limit_of_the_stator():
    """Of 80 MΩ: below the 100 MΩ of a form-wound stator of 6 kV, and no fail of its rotor."""
    assessment = judged(SIX_KV, insulation("K+L+M-frame", 80e6), insulation("U+V+W-frame", 5e9))
    assert verdicts(assessment) == {
        "insulation resistance K+L+M-frame after 60 s, at 40 °C": None,
        "insulation resistance after 60 s, at 40 °C": "pass",
    }
    assert assessment.overall.verdict == "inconclusive"
    assert assessment.overall.reason == "no limit for the insulation of K+L+M-frame"
    assert any("K+L+M-frame: no limit" in each for each in assessment.notes)


def test_a_stator_that_fails_fails_the_whole_beside_an_unjudged_rotor():
    assessment = judged(SIX_KV, insulation("U+V+W-frame", 80e6), insulation("R1-frame", 5e9))
    assert assessment.overall.verdict == "fail"


def test_phases_one_after_the_other_are_no_series_and_pass_nothing():
    """Each phase of six ends at 30 and 60 s: up to now refused as two readings at one time."""
    of_phases = {"U1": 5e9, "V1": 4e6, "W1": 5e9}
    readings = []
    for mark, ohms in of_phases.items():
        others = "+".join(each for each in of_phases if each != mark)
        point = f"{mark}-frame earth {others}"
        readings += [insulation(point, ohms / 1.3, at=30.0), insulation(point, ohms)]
    assessment = judged(SIX_ENDS, *readings)
    name = "insulation resistance {}-frame earth {} after 60 s, at 40 °C"
    assert verdicts(assessment) == {
        name.format("U1", "V1+W1"): "inconclusive",
        name.format("V1", "U1+W1"): "fail",  # 4 MΩ of one phase: the whole cannot have 5 MΩ
        name.format("W1", "U1+V1"): "inconclusive",
    }
    assert assessment.overall.verdict == "fail"
    (first, *_) = assessment.results
    assert set(first.result.inputs) == {each["id"] for each in readings[:2]}


def test_one_place_alone_is_the_winding_that_was_meant():
    """A star that is joined inside is tested whole from one terminal."""
    assert verdicts(judged(SIX_ENDS, insulation("U1-frame", 5e9))) == {
        "insulation resistance after 60 s, at 40 °C": "pass"
    }
    assert verdicts(judged(SIX_KV, insulation("K+L+M-frame", 5e9))) == {
        "insulation resistance K+L+M-frame after 60 s, at 40 °C": None
    }


def test_a_series_without_its_minute_says_so_for_its_place():
    assessment = judged(
        SIX_KV, insulation("K+L+M-frame", 80e6, at=15.0), insulation("K+L+M-frame", 90e6, at=30.0)
    )
    assert assessment.results == ()
    assert any(each.startswith("insulation K+L+M-frame: ") for each in assessment.notes)


def ohms(point, value):
    return {"quantity": "resistance", "unit": "Ohm", "value": value, "test_point": point}


STATOR = [ohms(pair, 0.5) for pair in ("U-V", "V-W", "W-U")]


def test_resistances_of_a_rotor_do_not_take_the_stator_its_verdict():
    """Up to now one reading at K-L refused all resistances of the set."""
    site = {"resistance-unbalance-form": {"adopted": True}}
    given = {
        "schema_version": 1,
        "machine": {"id": "m", **SIX_KV},
        "steps": ["resistance"],
        "readings": [*STATOR, ohms("K-L", 0.05), ohms("L-M", 0.05), ohms("M-K", 0.056)],
    }
    assessment = assess(TestSet.model_validate(given), site)
    found = verdicts(assessment)
    assert found["resistance unbalance (mean)"] == "pass"
    assert found["rotor resistance unbalance (mean)"] is None
    rotor = next(each.result for each in assessment.results if each.name.startswith("rotor"))
    # By hand: mean 0.052, largest distance 0.004.
    assert rotor.value == pytest.approx(100 * 0.004 / 0.052)
    assert assessment.overall.verdict == "inconclusive"
    assert assessment.overall.reason == "no limit for the resistance of K-L, L-M, M-K"
    assert not assessment.not_run


def test_the_resistance_of_an_armature_is_taken_and_not_judged():
    assessment = judged(SIX_KV, ohms("A1-A2", 0.2), insulation("U+V+W-frame", 5e9))
    assert any(each.startswith("resistance at A1-A2: no limit") for each in assessment.notes)
    assert assessment.overall.verdict == "inconclusive"


def test_ends_of_a_winding_that_is_joined_are_still_asked_about():
    with pytest.raises(InputError, match="check the machine's connection"):
        judged(SIX_KV, *STATOR[:2], ohms("W1-W2", 0.5))
