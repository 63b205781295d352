"""Limits by the kind of winding, and what is said where nobody knows the kind."""

import pytest

from capture.judging import assess
from capture.judging.kinds import (
    insulation_limits,
    judged_as,
    phases_alike,
    resistance_limits,
)
from capture.model.testset import TestSet
from capture.winding import load_limits

LIMITS = load_limits()
SITE = {
    name: {"adopted": True}
    for name in (
        "insulation-form",
        "insulation-random",
        "resistance-unbalance-form",
        "resistance-unbalance-random",
        "polarization-index-155",
    )
}


def megohms(winding, volts=6600.0, year=2004):
    found = insulation_limits(LIMITS, volts, winding, year)
    return {kind: limit.value / 1e6 for kind, limit in found.items()}


# IEEE Std 43-2013, 12.3, from public texts: 100 MΩ form-wound, 5 MΩ random-wound and form-wound below
# 1 kV, (kV + 1) MΩ before about 1970.
def test_an_unknown_kind_has_both_limits_where_they_differ():
    assert megohms("unknown") == {"random-wound": 5, "form-wound": 100}
    assert megohms("unknown", 1000) == {"random-wound": 5, "form-wound": 100}
    assert megohms("unknown", 999) == {"random-wound": 5}
    assert megohms("unknown", 400) == megohms("random", 400)
    assert megohms("unknown", 6600, 1965) == pytest.approx({"random-wound": 7.6, "form-wound": 7.6})
    assert megohms("unknown", None) == {}
    assert megohms("unknown", 6600, None) == {}


def test_a_kind_that_is_known_has_its_own():
    assert megohms("form") == {"form-wound": 100}
    assert megohms("random") == {"random-wound": 5}
    assert megohms("dc-armature", 500) == {"dc-armature": 5}
    assert megohms("field", 400) == pytest.approx({"field": 1.4})
    assert {limit.value for limit in resistance_limits(LIMITS, "unknown").values()} == {1.0, 2.0}
    assert [each.value for each in resistance_limits(LIMITS, "form").values()] == [1.0]
    assert [each.value for each in resistance_limits(LIMITS, "random").values()] == [2.0]


def test_a_concentric_winding_is_judged_as_one_of_unknown_make():
    """Concentric is a layout; random-wound and form-wound are makes."""
    assert judged_as("concentric") == "unknown"
    assert judged_as("unknown") == "unknown"
    assert judged_as("form") == "form"
    assert not phases_alike("concentric")
    assert all(phases_alike(kind) for kind in ("random", "form", "unknown"))


def test_form_wound_below_1_kv_follows_the_row_that_speaks_of_it():
    site = load_limits(site={"insulation-form": {"value": 200e6, "source": "the site's own rule"}})
    ((_, limit),) = insulation_limits(site, 690, "form", 2004).items()
    assert (limit.id, limit.value) == ("insulation-random", 5e6)
    ((_, limit),) = insulation_limits(site, 6600, "form", 2004).items()
    assert (limit.id, limit.value) == ("insulation-form", 200e6)


# ── a test set that does not say ─────────────────────────────────────────────────────────────


def judged(*readings, celsius=40.0, site=SITE, **machine):
    """Assess readings of a machine at 40 °C, where a value needs no correction."""
    return assess(
        TestSet.model_validate(
            {
                "schema_version": 1,
                "machine": {"id": "pump-3", "connection": "star", **machine},
                "conditions": {"winding_celsius": celsius},
                "steps": [],
                "readings": readings,
            }
        ),
        site,
    )


def insulation(ohms, elapsed=60.0):
    return {
        "id": f"i{elapsed:g}",
        "quantity": "insulation_resistance",
        "unit": "Ohm",
        "test_point": "U+V+W-frame",
        "value": ohms,
        "elapsed": elapsed,
    }


def resistances(*ohms):
    return [
        {"id": pair, "quantity": "resistance", "unit": "Ohm", "test_point": pair, "value": each}
        for pair, each in zip(("U-V", "V-W", "W-U"), ohms, strict=True)
    ]


def of(assessment, name):
    (found,) = [each.result for each in assessment.results if each.name.startswith(name)]
    return found.judgement


HIGH = {"rated_volts": 6600, "year": 2004}


@pytest.mark.parametrize(
    ("ohms", "verdict"), [(150e6, "pass"), (50e6, "inconclusive"), (3e6, "fail")]
)
def test_nothing_passes_by_the_milder_limit_because_nobody_said_the_kind(ohms, verdict):
    assessment = judged(insulation(ohms), **HIGH)
    assert of(assessment, "insulation resistance").verdict == verdict
    assert assessment.overall.verdict == verdict
    (note,) = [each for each in assessment.notes if "kind of winding is not known" in each]
    assert "say which it is" in note


def test_a_kind_that_is_said_is_taken_at_its_word():
    assert of(judged(insulation(50e6), winding="form", **HIGH), "insulation").verdict == "fail"
    random = judged(insulation(50e6), winding="random", **HIGH)
    assert of(random, "insulation").verdict == "pass"
    # Descriptions from before the kind could be unknown say random-wound whether or not anybody did.
    (note,) = [each for each in random.notes if "uncommon" in each]
    assert note == (
        "judged as random-wound at 6600 V rated, which is uncommon: were it form-wound, at least "
        "100 MΩ would be asked for"
    )


def test_below_1_kv_the_kind_makes_no_difference_to_insulation():
    assessment = judged(insulation(6e6), rated_volts=400, year=2004)
    assert of(assessment, "insulation resistance").verdict == "pass"
    assert not any("kind of winding" in each for each in assessment.notes)
    named = judged(insulation(6e6), rated_volts=400, year=2004, winding="random")
    assert not any("uncommon" in each for each in named.notes)


# Mean 1, largest distance from it 1.4 %: between 1 % (form-wound) and 2 % (random-wound).
BETWEEN = (0.993, 0.993, 1.014)


def test_an_unbalance_between_the_limits_is_undecided():
    assessment = judged(*resistances(*BETWEEN), rated_volts=400, year=2004)
    found = of(assessment, "resistance unbalance")
    assert (found.verdict, found.limit) == ("inconclusive", 1.0)
    assert found.reason == "pass if random-wound, fail if form-wound: say which it is"
    said = judged(*resistances(*BETWEEN), winding="random", rated_volts=400, year=2004)
    assert of(said, "resistance unbalance").verdict == "pass"


@pytest.mark.parametrize(
    ("winding", "late", "verdict"),
    # Index 1.2 and 3 against 2.0 for class 155 (IEEE Std 43-2013, 12.2, from public texts).
    [
        ("unknown", 180e6, "inconclusive"),
        ("unknown", 450e6, "pass"),
        ("form", 180e6, "fail"),
        ("form", 450e6, "pass"),
    ],
)
def test_a_polarization_index_that_may_not_apply_fails_nothing(winding, late, verdict):
    assessment = judged(
        insulation(150e6), insulation(late, 600.0), winding=winding, thermal_class=155, **HIGH
    )
    index = of(assessment, "polarization index")
    assert index.verdict == verdict
    if verdict == "inconclusive":
        assert index.reason == (
            "fail if form-wound, not applicable if random-wound: say which it is"
        )
    told = any("the kind of this one is not known" in each for each in assessment.notes)
    assert told == (winding == "unknown")


def test_a_random_wound_winding_has_no_index_still():
    assessment = judged(
        insulation(150e6), insulation(180e6, 600.0), winding="random", thermal_class=155, **HIGH
    )
    assert not [each for each in assessment.results if each.name == "polarization index"]


def test_another_definition_of_unbalance_is_held_against_neither():
    made = TestSet.model_validate(
        {
            "schema_version": 1,
            "machine": {"id": "pump-3", "connection": "star"},
            "rules": {"resistance": "span-max"},
            "readings": resistances(*BETWEEN),
        }
    )
    (found,) = [each.result for each in assess(made, SITE).results if "unbalance" in each.name]
    assert found.judgement is None
    assert len([each for each in found.notes if "not applied" in each]) == 2


# ── concentric: a layout, not a make ─────────────────────────────────────────────────────────

PULSES = (1.0e-3, 1.0e-3, 0.85e-3)  # the span is 15 % of the largest
LIMITS_OF_DIFFERENCES = {
    name: {"adopted": True}
    for name in ("resistance-unbalance-random", "resistance-unbalance-form", "pulse-deviation")
}
LEVEL = (1.0, 1.0, 1.003)  # 0.2 % from the mean: within 1 % and 2 %
FAR = (1.0, 1.0, 1.06)  # 3.9 %: beyond both


def pulses(*seconds):
    return [
        {
            "id": f"p-{pair}",
            "quantity": "pulse_time",
            "unit": "s",
            "test_point": pair,
            "value": each,
            "conditions": {"law": "rise"},
        }
        for pair, each in zip(("U-V", "V-W", "W-U"), seconds, strict=True)
    ]


@pytest.mark.parametrize(
    ("ohms", "verdict"), [(150e6, "pass"), (50e6, "inconclusive"), (3e6, "fail")]
)
def test_insulation_of_a_concentric_winding_is_held_against_both_makes(ohms, verdict):
    assessment = judged(insulation(ohms), winding="concentric", **HIGH)
    found = of(assessment, "insulation resistance")
    assert found.verdict == verdict
    if verdict == "inconclusive":
        assert found.reason == (
            "pass if random-wound, fail if form-wound: concentric does not say which"
        )
    assert (
        "concentric does not say how coils are made: insulation resistance is held against the "
        "limits of random-wound and form-wound, and stays undecided between them"
    ) in assessment.notes
    assert not any("kind of winding is not known" in each for each in assessment.notes)
    assert not any("differ by construction" in each for each in assessment.notes)


def test_a_polarization_index_of_a_concentric_winding_fails_nothing():
    assessment = judged(
        insulation(150e6),
        insulation(180e6, 600.0),
        winding="concentric",
        thermal_class=155,
        **HIGH,
    )
    index = of(assessment, "polarization index")
    assert index.verdict == "inconclusive"
    assert index.reason == (
        "fail if form-wound, not applicable if random-wound: concentric does not say which"
    )
    assert any("concentric does not say whether it is" in each for each in assessment.notes)


def test_phases_of_a_concentric_winding_may_differ_by_construction():
    """3.9 % and 15 % are beyond every limit, which are made for phases that are alike."""
    readings = [*resistances(*FAR), *pulses(*PULSES)]
    alike = judged(*readings, winding="random", site=LIMITS_OF_DIFFERENCES)
    built_apart = judged(*readings, winding="concentric", site=LIMITS_OF_DIFFERENCES)
    for name in ("resistance unbalance", "pulse deviation"):
        assert of(alike, name).verdict == "fail"
        found = of(built_apart, name)
        assert found.verdict == "inconclusive"
        assert found.reason == (
            "fail if its phases were alike, and those of a concentric winding may differ by "
            "construction"
        )
    assert built_apart.overall.verdict == "inconclusive"
    (note,) = [each for each in built_apart.notes if "differ by construction" in each]
    assert note.endswith("compare it with an earlier test of this winding")
    assert not any("differ by construction" in each for each in alike.notes)


def test_what_keeps_the_strictest_limit_passes_however_coils_are_laid():
    level = judged(
        *resistances(*LEVEL),
        *pulses(1e-3, 1e-3, 0.99e-3),
        winding="concentric",
        site=LIMITS_OF_DIFFERENCES,
    )
    assert of(level, "resistance unbalance").verdict == "pass"
    assert of(level, "pulse deviation").verdict == "pass"
    between = judged(*resistances(*BETWEEN), winding="concentric", site=LIMITS_OF_DIFFERENCES)
    assert of(between, "resistance unbalance").reason == (
        "pass if random-wound, fail if form-wound: concentric does not say which"
    )
    # Limits that the site has not adopted stay information.
    shipped = judged(*resistances(*FAR), winding="concentric", site=None)
    assert of(shipped, "resistance unbalance").verdict == "information only"


def test_a_limit_that_the_machine_states_for_itself_holds_as_it_stands():
    own = {
        "resistance-unbalance-random": {
            "value": 3.0,
            "source": "this winding, when it was new",
            "adopted": True,
        }
    }
    made = TestSet.model_validate(
        {
            "schema_version": 1,
            "machine": {"id": "pump-3", "connection": "star", "winding": "concentric"},
            "rules": {"limits": own},
            "readings": resistances(*FAR),
        }
    )
    assessment = assess(made, SITE)
    found = of(assessment, "resistance unbalance")
    assert (found.verdict, found.limit) == ("fail", 3.0)
    assert not any("concentric" in each for each in assessment.notes)


def test_a_concentric_winding_is_suspected_for_more_than_its_construction():
    """4 % of one pair are beyond what phases that are alike differ, and not beyond what these do."""
    readings = resistances(1.0, 1.0, 1.04)
    alike = judged(*readings, winding="random").suspicion
    built_apart = judged(*readings, winding="concentric").suspicion
    assert alike.detected
    assert not built_apart.detected
    assert alike.signal > 2 * built_apart.signal
    assert judged(*resistances(1.0, 1.0, 1.4), winding="concentric").suspicion.detected
