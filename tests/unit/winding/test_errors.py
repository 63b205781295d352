"""Every error says what is wrong, where, and what to do, in one line; whoever catches it finds the culprit."""

import pytest

from capture.winding import (
    MissingReadingError,
    NotFiniteError,
    NotPositiveError,
    TriangleInequalityError,
    UnknownChoiceError,
)
from capture.winding.errors import ImpossibleSetError, WindingError


@pytest.mark.parametrize(
    ("error", "said", "facts"),
    [
        (
            MissingReadingError("R of U-V", "three are needed"),
            "R of U-V is missing: three are needed",
            {"name": "R of U-V"},
        ),
        (
            NotFiniteError("R of U-V", float("inf")),
            "R of U-V is inf: a finite number is needed; give an open pair as a bounded reading",
            {"name": "R of U-V", "value": float("inf")},
        ),
        (
            NotPositiveError("R of U-V", -0.5),
            "R of U-V is -0.5: only more than zero can be",
            {"name": "R of U-V", "value": -0.5},
        ),
        (
            TriangleInequalityError("U-V", 2.0, 1.5),
            (
                "U-V reads 2, the two other pairs together 1.5: three sound coils always read less"
                " than that; one reading is wrong, or a coil is open (an open delta coil reads just"
                " twice each of the two other pairs)"
            ),
            {"name": "U-V", "value": 2.0},
        ),
        (
            UnknownChoiceError("law", "guess", ("period", "rise")),
            "law 'guess' is not known; use one of period, rise",
            {"asked": "guess"},
        ),
    ],
)
def test_what_an_error_says(error, said, facts):
    assert str(error) == said
    assert {name: getattr(error, name) for name in facts} == facts
    assert isinstance(error, WindingError)
    assert isinstance(error, ValueError)
    assert isinstance(error, ImpossibleSetError) is isinstance(error, TriangleInequalityError)
