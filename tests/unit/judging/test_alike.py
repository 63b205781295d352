"""Coils of poles and bars of a commutator: one against the mean of all, the odd one by its name."""

import pytest

from capture.judging.alike import alike, is_coil
from capture.judging.assess import assess
from capture.model.testset import TestSet

COILS = ("1F1-1F2", "2F1-2F2", "3F1-3F2", "4F1-4F2")
NAME = "resistance of field coils F, largest distance from their mean"
BARS = "resistance of bar to bar, largest distance from their mean"


def judged(ohms, *, adopted=True):
    readings = [
        {"quantity": "resistance", "unit": "Ohm", "test_point": point, "id": point}
        | ({"value": each} if each is not None else {"value": None, "status": "above-range"})
        for point, each in ohms.items()
    ]
    given = {
        "schema_version": 1,
        "machine": {"id": "m", "winding": "dc-armature"},
        "steps": ["resistance"],
        "readings": readings,
    }
    site = {"field-coil-deviation": {"adopted": True}} if adopted else {}
    return assess(TestSet.model_validate(given), site)


def test_four_sound_coils_pass_and_a_shorted_one_fails_by_its_pole():
    """Of 20, 20, 20 and 16 Ω the mean is 19; the third pole is 3/19 below it (by hand)."""
    sound = judged(dict.fromkeys(COILS, 20.0))
    assert [each.name for each in sound.results] == [NAME]
    assert sound.overall.verdict == "pass"
    found = judged(dict.fromkeys(COILS, 20.0) | {"3F1-3F2": 16.0})
    (result,) = [each.result for each in found.results]
    assert result.value == pytest.approx(100 * 3 / 19)
    assert set(result.inputs) == set(COILS)
    assert result.judgement.verdict == "fail"
    assert found.notes == (
        "resistance of field coils F: 3F1-3F2 is farthest from the mean, by -15.8 %",
    )


def test_the_limit_is_information_until_the_site_adopts_it():
    found = judged(dict.fromkeys(COILS, 20.0) | {"3F1-3F2": 16.0}, adopted=False)
    assert found.results[0].result.judgement.verdict == "information only"
    assert found.overall.verdict == "information only"


def test_a_coil_that_is_open_passes_nothing():
    found = judged(dict.fromkeys(COILS, 20.0) | {"2F1-2F2": None})
    assert found.results == ()
    assert found.overall.verdict != "pass"
    beside = judged(
        dict.fromkeys(COILS, 20.0)
        | {"2F1-2F2": None}
        | {f"{pole}E1-{pole}E2": 9.0 for pole in (1, 2)}
    )
    assert [str(each.result.judgement.verdict) for each in beside.results] == ["pass"]
    assert beside.overall.verdict == "inconclusive"
    assert "no number for the resistance of 2F1-2F2" in beside.overall.reason


def test_bars_are_compared_and_nothing_judges_them():
    """Of 23 pairs at 10 mΩ and one at 14 the mean is 244/24; 14 is 92/244 above it (by hand)."""
    ohms = {f"BAR{bar}-BAR{bar % 24 + 1}": 0.010 for bar in range(1, 25)}
    found = judged(ohms | {"BAR7-BAR8": 0.014})
    (bars,) = found.results
    assert (bars.name, bars.result.judgement) == (BARS, None)
    assert bars.result.value == pytest.approx(100 * 92 / 244)
    assert "resistance of bar to bar: BAR7-BAR8 is farthest from the mean, by +37.7 %" in (
        found.notes
    )
    assert found.overall.verdict == "inconclusive"


@pytest.mark.parametrize(
    ("places", "groups"),
    [
        ((*COILS, "1D1-1D2", "2D1-2D2"), {"field coils F": 4, "field coils D": 2}),
        (("1F1-1F2",), {}),  # alone, like nothing
        (("F1-F2", "A1-A2", "K-L"), {}),
        (("1F1-2F2", "2F1-1F2"), {}),  # across two coils
        (("BAR1-BAR2", "BAR2-BAR3", "1F1-1F2"), {"bar to bar": 2}),
    ],
)
def test_what_is_alike_stands_beside_its_like(places, groups):
    found = alike(places)
    assert {name: len(group) for name, group in found.items()} == groups
    assert {name for name in found if is_coil(name)} == {
        name for name in groups if name != "bar to bar"
    }
