"""A reading: one shown value with its identity, time, provenance, conditions and tag.

A draft is a reading that has not been stored; the journal gives it its sequence number inside the
transaction that stores it. The JSON text of a `Reading` is what is stored, hashed and published.
"""

from typing import Annotated, Any, Literal, Self
from uuid import UUID

from pydantic import ConfigDict, Field, field_validator, model_validator

from capture.errors import InputError
from capture.model.fields import (
    Bench,
    Line,
    MachineId,
    Model,
    QuantityName,
    SchemaVersion,
    Sha256,
    Site,
    Slug,
    UnitCode,
    Utc,
    is_empty,
    is_none,
)
from capture.model.quantity import unit_of
from capture.model.source import Source
from capture.model.status import VALUELESS, Side, Status
from capture.model.testpoint import Direction, TestPoint

_VALUELESS_NAMES = sorted(VALUELESS)

# What the types alone do not say, in the words of JSON Schema.
_RULES: dict[str, Any] = {
    "allOf": [
        {
            "if": {"properties": {"status": {"enum": _VALUELESS_NAMES}}},
            "then": {"properties": {"value": {"type": "null"}}},
            "else": {"not": {"required": ["bound"]}},
        },
        {
            "if": {"properties": {"status": {"const": "ok"}}},
            "then": {"properties": {"value": {"type": "number"}}},
        },
    ]
}


class Bound(Model):
    """The true value lies on this side of this number."""

    side: Side
    """``above``: the value is greater than the number; ``below``: it is less."""
    value: float
    """In the reading's unit."""


class Quantified(Model):
    """A number with its unit, as a condition."""

    value: float
    """In ``unit``."""
    unit: UnitCode
    """UCUM code of the number's unit."""


#: Settings by name; numbers never without a unit.
Conditions = dict[
    Annotated[str, Field(pattern=r"^[a-z][a-z0-9_-]{0,62}$")], Line | bool | Quantified
]


class Uncertainty(Model):
    """Standard uncertainty of the value, in the reading's unit (JCGM 100)."""

    standard: float = Field(ge=0)
    """Standard uncertainty u of the value."""
    shared: float | None = Field(None, ge=0, exclude_if=is_none)
    """Relative part that all readings of this instrument on this range share (its gain); it cancels
    in ratios of such readings."""
    coverage_factor: float = Field(2.0, gt=0)
    """k of the expanded uncertainty U = k·u that is to be shown."""
    basis: Line
    """Where it comes from, such as the accuracy given in a profile."""


class Series(Model):
    """Place of the value in a timed series, such as an insulation test."""

    id: UUID
    """Equal for all values of one run."""
    elapsed: float = Field(ge=0)
    """Seconds since the series began, as the instrument counts them."""


class Evidence(Model):
    """A file that shows the value, kept by its digest."""

    kind: Literal["photo", "trace", "file"]
    """What the file is: a photo of the display, recorded bytes, or something else."""
    sha256: Sha256
    """SHA-256 of the file's bytes; its name where evidence is kept."""
    media_type: Line | None = Field(None, exclude_if=is_none)
    """Media type (RFC 6838), such as ``image/jpeg``; left out where not known."""
    name: Line | None = Field(None, exclude_if=is_none)
    """What people call the file; left out where it is known by its digest alone."""


class Raw(Model):
    """The frame a value came in: as text where it is plain ASCII, else in base64."""

    encoding: Literal["ascii", "base64"]
    """How ``data`` is written."""
    data: str = Field(max_length=90_000)
    """The bytes of the frame."""


class PointOfTest(Model):
    """Where the leads sat. ``pair`` and ``direction`` are derived from the two leads."""

    first: tuple[str, ...] = Field(min_length=1, max_length=24)
    """Terminals on the first lead, IEC 60034-8 marks."""
    second: tuple[str, ...] = Field(min_length=1, max_length=24)
    """Terminals on the second lead."""
    guard: tuple[str, ...] = Field((), exclude_if=is_empty)
    """Terminals on the guard lead."""
    earth: tuple[str, ...] = Field((), exclude_if=is_empty)
    """Terminals that were earthed."""
    pair: str | None = Field(None, exclude_if=is_none)
    """The pair in its usual order (U-V, V-W, W-U), whichever way the leads sat; left out where it
    is none."""
    direction: Direction | None = Field(None, exclude_if=is_none)
    """Whether the leads sat on the pair in that order or swapped."""

    @classmethod
    def of(cls, point: TestPoint) -> Self:
        """Write out a test point with its derived pair and direction."""
        return cls(
            first=point.first,
            second=point.second,
            guard=point.guard,
            earth=point.earth,
            pair=point.pair,
            direction=point.direction,
        )

    @model_validator(mode="after")
    def _derived_members_agree(self) -> Self:
        try:
            point = self.to_point()
        except InputError as error:
            raise ValueError(str(error)) from error
        if (self.pair, self.direction) != (point.pair, point.direction):
            raise ValueError(f"pair and direction do not follow from the leads {point}")
        return self

    def to_point(self) -> TestPoint:
        """Give the test point itself."""
        return TestPoint(self.first, self.second, self.guard, self.earth)


class ReadingTag(Model):
    """What a reading is of, where that was known when it was made."""

    machine: MachineId
    """Name on the label of the machine that was read."""
    test_point: PointOfTest | None = Field(None, exclude_if=is_none)
    """Where the leads sat."""
    note: Line | None = Field(None, exclude_if=is_none)
    """What a person remarked on it; left out where nobody did."""
    job: UUID | None = Field(None, exclude_if=is_none)
    """Id of the job that it was taken in; left out outside a job."""
    step: Line | None = Field(None, exclude_if=is_none)
    """Step of the job that it was taken for."""


class ReadingDraft(Model):
    """A reading that has not been stored yet: all but its sequence number."""

    schema_version: SchemaVersion = 1
    id: UUID
    """UUIDv7, made once where the value was taken or typed; the same in every copy."""
    site: Site
    bench: Bench
    instrument: Slug
    """The instrument's name on this bench."""
    session: UUID | None = Field(None, exclude_if=is_none)
    """One unbroken run of one driver on one open link."""
    time: Utc
    """When the value was received or keyed, UTC by the host's clock."""
    clock_synchronised: bool | None = Field(None, exclude_if=is_none)
    """Whether the host's clock was synchronised then; left out where not known."""
    instrument_time: Line | None = Field(None, exclude_if=is_none)
    """The instrument's own time, as it wrote it."""
    quantity: QuantityName
    """What was measured; a quantity of the site's own begins with ``x_``."""
    unit: UnitCode
    """UCUM code."""
    value: float | None
    """In ``unit``; null where the display has no number."""
    digits: Line
    """The number exactly as shown."""
    shown_unit: str = Field(max_length=16)
    """The unit exactly as shown, or as configured for an instrument that sends none."""
    status: Status
    """How far the value can be believed: ``above-range`` and ``below-range`` have none, perhaps a
    bound; ``invalid`` is the instrument's own word; ``unsettled`` is still moving; ``stale`` is
    shown again, not measured again; ``live-voltage`` was found on the object; ``breakdown`` is the
    insulation's; ``aborted`` was ended before it was complete."""
    bound: Bound | None = Field(None, exclude_if=is_none)
    """Where the value lies, if it is out of range and a bound was shown or is known."""
    uncertainty: Uncertainty | None = Field(None, exclude_if=is_none)
    """Left out where nothing is known of the instrument's accuracy."""
    source: Source
    """How the value came to be: streamed, polled, keyed, from a photo, imported, or computed."""
    conditions: Conditions = Field(default_factory=dict, exclude_if=is_empty, max_length=64)
    """Settings the value was shown under; numbers never without a unit."""
    series: Series | None = Field(None, exclude_if=is_none)
    """Left out where the value belongs to no timed run."""
    group: UUID | None = Field(None, exclude_if=is_none)
    """Equal for values that stood in one frame or on one display."""
    record: Line | None = Field(None, exclude_if=is_none)
    """The instrument's own name of a stored result."""
    tag: ReadingTag | None = Field(None, exclude_if=is_none)
    """What it is of, where that was known when it was made; a later tag of its own goes before
    it."""
    evidence: tuple[Evidence, ...] = Field((), exclude_if=is_empty)
    """Files that show the value, such as a photo of the display."""
    raw: Raw | None = Field(None, exclude_if=is_none)
    """The frame that the value came in."""

    @field_validator("quantity")
    @classmethod
    def _quantity_is_known(cls, name: str) -> str:
        try:
            unit_of(name)
        except InputError as error:
            raise ValueError(str(error)) from error
        return name

    @model_validator(mode="after")
    def _members_agree(self) -> Self:
        if self.status in VALUELESS:
            if self.value is not None:
                raise ValueError(f"status {self.status} has no value, but one is given")
        elif self.bound is not None:
            raise ValueError(f"status {self.status} cannot have a bound")
        elif self.value is None and self.status is Status.OK:
            raise ValueError("status ok needs a value")
        unit = unit_of(self.quantity)
        if unit not in (None, self.unit):
            raise ValueError(f"{self.quantity} is stored in {unit}, not in {self.unit}")
        return self


class Reading(ReadingDraft):
    """One stored reading of one quantity.

    Consumers pass over members they do not know.
    """

    model_config = ConfigDict(json_schema_extra=_RULES)

    sequence: int = Field(ge=1)
    """Counts the readings of one instrument without a gap, in the order they were stored."""
