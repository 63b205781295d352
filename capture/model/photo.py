"""What was read off a photo of a display: proposals. They are no readings until somebody confirms.

Every proposal says where it stood in the photo, how sure each character is, and what is doubtful.
"""

from typing import Annotated, Literal

from pydantic import Field

from capture.model.fields import Line, Model, QuantityName, SchemaVersion, Sha256, UnitCode, is_none
from capture.model.status import Status
from capture.model.testpoint import Direction

Confidence = Annotated[float, Field(ge=0, le=1)]

DoubtKind = Literal[
    "no-decimal-point",
    "decimals",
    "digits",
    "low-confidence",
    "looks-differ",
    "not-a-number",
    "cut-off",
    "unit-missing",
    "unit-unknown",
    "unit-prefix",
    "unit-of-another-quantity",
    "test-point",
    "count",
]


class Crop(Model):
    """A part of the photo, upright, in its pixels."""

    left: int = Field(ge=0)
    """From the left edge."""
    top: int = Field(ge=0)
    """From the upper edge."""
    width: int = Field(ge=1)
    """To the right of ``left``."""
    height: int = Field(ge=1)
    """Down from ``top``."""


class ReadCharacter(Model):
    """One character as read."""

    text: Annotated[str, Field(min_length=1, max_length=1, pattern=r"^[^\x00-\x1f\x7f-\x9f]$")]
    """A digit, letter or mark."""
    confidence: Confidence
    """0 to 1; what the reader says of itself, lowered where it read otherwise at another look."""


class PhotoDoubt(Model):
    """Something that a person must look at before they confirm."""

    kind: DoubtKind
    """Which of the known doubts it is, for programs."""
    words: Line
    """What to look at."""


class Proposal(Model):
    """One value as read; a person confirms, corrects or refuses it."""

    quantity: QuantityName
    """What the step asks for."""
    text: Line
    """The number, and the unit beside it, exactly as read."""
    digits: Line
    """The number alone. A decimal point that was not seen is not in it."""
    shown_unit: str = Field(max_length=16)
    """The unit as read or, where the display shows none, as the profile says; may be empty."""
    unit: UnitCode | None = Field(None, exclude_if=is_none)
    """UCUM code of the base unit; left out where the unit was not understood."""
    value: float | None
    """In ``unit``; null where there is no number, or its unit was not understood."""
    status: Status
    """Kind of value that the display shows, as far as it was understood."""
    point: Line | None = Field(None, exclude_if=is_none)
    """Test point that the value belongs to, such as U-V."""
    direction: Direction | None = Field(None, exclude_if=is_none)
    """Whether the leads sit on the pair in its usual order or swapped."""
    crop: Crop
    """Where number and unit stand in the photo."""
    characters: Annotated[tuple[ReadCharacter, ...], Field(max_length=64)]
    """The characters of ``text``, spaces left out."""
    confidence: Confidence
    """That of the least sure character."""
    doubts: Annotated[tuple[PhotoDoubt, ...], Field(max_length=24)] = ()
    """What a person must look at before they confirm it; none is no promise."""


class LabelCode(Model):
    """A code on a label, as read."""

    text: Line
    """What the code holds, and nothing that is acted upon by itself."""
    format: Line
    """What kind of code it is, such as QR Code."""
    crop: Crop
    """Where the code stands in the photo."""


class PhotoProposals(Model):
    """All that was read off one photo for one step."""

    schema_version: SchemaVersion = 1
    photo: Sha256
    """The photo as it is kept, by its SHA-256."""
    width: int = Field(ge=1)
    """Of the photo as it is kept, in pixels."""
    height: int = Field(ge=1)
    """Of the photo as it is kept, in pixels."""
    display: Annotated[tuple[tuple[float, float], ...], Field(max_length=4)] | None = Field(
        None, exclude_if=is_none
    )
    """Corners of the display in the photo, clockwise from its upper left; left out where none was
    found and the whole photo was read."""
    proposals: Annotated[tuple[Proposal, ...], Field(max_length=64)] = ()
    """In the order of the step's test points."""
    doubts: Annotated[tuple[PhotoDoubt, ...], Field(max_length=24)] = ()
    """What is doubtful of the photo as a whole, such as a value that is missing."""
    other_texts: Annotated[tuple[Line, ...], Field(max_length=64)] = ()
    """What was read besides, and taken for no value."""
