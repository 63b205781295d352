"""Six free ends are judged phase by phase, whatever the nameplate joins in service."""

import pytest

from capture.errors import InputError
from capture.judging.assess import assess
from capture.judging.ends import as_read
from capture.model.testset import TestSet


def made(connection, *points, quantity="resistance"):
    unit = {"resistance": "Ohm", "pulse_time": "s", "insulation_resistance": "Ohm"}[quantity]
    return TestSet.model_validate(
        {
            "schema_version": 1,
            "machine": {"id": "m", "connection": connection},
            "readings": [
                {"quantity": quantity, "unit": unit, "value": value, "test_point": point}
                for value, point in enumerate(points, start=1)
            ],
        }
    )


ENDS = ("U1-U2", "V1-V2", "W1-W2")


@pytest.mark.parametrize("connection", ["star", "delta", "unknown", "open"])
def test_readings_between_the_ends_of_each_phase_are_of_open_phases(connection):
    assert as_read(made(connection, *ENDS)).machine.connection == "open"
    swapped = as_read(made(connection, "U2-U1", *ENDS[1:], quantity="pulse_time"))
    assert swapped.machine.connection == "open"


def test_phases_are_not_solved_for_and_the_one_that_differs_is_named():
    """Of 1, 2 and 3 Ω the mean is 2, and the largest distance from it half of that."""
    found = assess(made("delta", *ENDS))
    assert [each.name for each in found.results] == ["resistance unbalance (mean)"]
    assert found.results[0].result.value == pytest.approx(50)
    assert assess(made("open", *ENDS)) == found


@pytest.mark.parametrize(
    "points",
    [
        ("U-V", "V-W", "W-U"),
        ("U1-V1", "V1-W1", "W1-U1"),
        ("U-V", "V-W", "W1-W2"),
        ("K-L", "L-M", "M-K"),
        ("A1-A2",),
    ],
)
def test_everything_else_stays_as_the_nameplate_has_it(points):
    given = made("star", *points)
    assert as_read(given) is given


def test_insulation_alone_says_nothing_of_how_phases_are_joined():
    given = made("star", "U1+U2-frame", quantity="insulation_resistance")
    assert as_read(given) is given


def test_one_end_among_pairs_is_still_asked_about():
    with pytest.raises(InputError, match="check the machine's connection"):
        assess(made("star", "U-V", "V-W", "W1-W2"))
