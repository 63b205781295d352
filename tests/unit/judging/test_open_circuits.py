"""A resistance without a number is no pass: an open phase among sound readings, told and counted."""

import pytest

from capture.judging import assess
from capture.model.testset import TestSet

ADOPTED = {name: {"adopted": True} for name in ("insulation-random", "resistance-unbalance-random")}
OPEN = {"value": None, "status": "above-range", "bound": {"value": 2000.0, "side": "above"}}
INSULATION = {
    "quantity": "insulation_resistance",
    "unit": "Ohm",
    "value": 5e9,
    "elapsed": 60,
    "test_point": "U+V+W-frame",
}


def judged(connection, ohms, *more):
    readings = [
        {"quantity": "resistance", "unit": "Ohm", "value": each, "test_point": point}
        | ({} if each is not None else OPEN)
        for point, each in ohms.items()
    ]
    given = {
        "schema_version": 1,
        "machine": {
            "id": "m",
            "connection": connection,
            "rated_volts": 400,
            "year": 2004,
            "winding": "random",
        },
        "conditions": {"winding_celsius": 40},
        "steps": ["resistance", "insulation"],
        "readings": [*readings, INSULATION, *more],
    }
    return assess(TestSet.model_validate(given), ADOPTED)


@pytest.mark.parametrize(
    ("connection", "ohms", "places", "told"),
    [
        ("star", {"U-V": None, "V-W": None, "W-U": 2.0}, "U-V, V-W", "phase V is open"),
        ("open", {"U1-U2": 1.0, "V1-V2": None, "W1-W2": 1.0}, "V1-V2", "phase V is open"),
    ],
)
def test_an_open_phase_keeps_sound_insulation_from_passing_the_whole(
    connection, ohms, places, told
):
    """Up to now the whole passed by its insulation, with the open phase in a remark."""
    assessment = judged(connection, ohms)
    assert assessment.overall.verdict == "inconclusive"
    assert assessment.overall.reason == (
        f"no number for the resistance of {places}: open, or the leads are off"
    )
    assert any(told in each for each in assessment.notes)


def test_numbers_for_all_pairs_pass_as_before():
    assert judged("star", {"U-V": 1.0, "V-W": 1.0, "W-U": 1.0}).overall.verdict == "pass"


def test_a_fail_stays_a_fail_beside_an_open_phase():
    worse = INSULATION | {"value": 1e6, "test_point": "U-frame earth V+W"}
    found = judged("star", {"U-V": None, "V-W": None, "W-U": 2.0}, worse)
    assert found.overall.verdict == "fail"
