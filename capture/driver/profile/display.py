"""How the display of an instrument is laid out: what reading it off a photo goes by."""

from typing import Annotated, Literal

from pydantic import Field, field_validator

from capture.driver.profile.parts import Part, check_unit, compiling
from capture.errors import InputError
from capture.model import TestPoint


class Display(Part):
    """What is known of a display, so that less has to be asked of the person with the photo.

    It only helps to find doubts and places. Nothing in it puts a digit or a decimal point where
    none was seen.
    """

    unit: str = ""
    """Unit of the values where the display itself shows none, such as one printed on the case."""
    units: Annotated[tuple[str, ...], Field(max_length=16)] = ()
    """All units that it can show; any other that was read is a doubt."""
    decimals: int | None = Field(None, ge=0, le=9)
    """Digits behind the decimal point, where that is always the same."""
    digits: int | None = Field(None, ge=1, le=12)
    """Digits of a number, where that is always the same."""
    decimal: Literal["auto", "point", "comma"] = "auto"
    """Mark before the decimals; ``auto`` takes what is clear and doubts the rest."""
    points: Annotated[tuple[str, ...], Field(max_length=24)] = ()
    """Test points of the values, row by row, where the display does not name them itself in the
    order of the step."""
    labels: dict[str, str] = Field(default_factory=dict, max_length=32)
    """Text beside a value → test point, such as ``"1-2" = "U-V"``."""
    directions: dict[str, Literal["forward", "reverse"]] = Field(default_factory=dict, max_length=8)
    """Text above a column → direction of the leads."""
    ignore: Annotated[tuple[str, ...], Field(max_length=32)] = ()
    """Regular expressions of whole texts that are no values, such as a clock."""

    @field_validator("unit")
    @classmethod
    def _unit_is_one(cls, unit: str) -> str:
        check_unit(unit, None)
        return unit

    @field_validator("units")
    @classmethod
    def _units_are_units(cls, units: tuple[str, ...]) -> tuple[str, ...]:
        for unit in units:
            check_unit(unit, None)
        return units

    @field_validator("ignore")
    @classmethod
    def _ignore_compiles(cls, patterns: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(compiling(pattern) for pattern in patterns)

    @field_validator("points")
    @classmethod
    def _points_are_points(cls, points: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(_point(point) for point in points)

    @field_validator("labels")
    @classmethod
    def _labels_are_points(cls, labels: dict[str, str]) -> dict[str, str]:
        return {text: _point(point) for text, point in labels.items()}


def _point(text: str) -> str:
    try:
        return str(TestPoint.parse(text))
    except InputError as error:
        raise ValueError(str(error)) from error
