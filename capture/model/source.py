"""Where a number came from. All kinds are enumerated from version 1 of the schema on."""

from typing import Annotated, Literal
from uuid import UUID

from pydantic import Field

from capture.model.fields import Line, Model, Sha256, Slug, is_empty, is_none


class _Instrumental(Model):
    driver: Slug
    """Driver that translated the bytes."""
    driver_version: Line
    """Release of the package that the driver came from."""
    profile: Line | None = Field(None, exclude_if=is_none)
    """Profile the driver worked by, where it has one."""
    link: Line
    """Byte path, such as a port's path or a host and port."""


class Streamed(_Instrumental):
    """The instrument sent the value by itself."""

    kind: Literal["streamed"] = "streamed"
    """Tells this kind of source from the others."""


class Polled(_Instrumental):
    """The instrument sent the value in answer to a query."""

    kind: Literal["polled"] = "polled"
    """Tells this kind of source from the others."""
    query: Line
    """The query, without its terminator."""


class Keyed(Model):
    """A person read the value off a display and typed it."""

    kind: Literal["keyed"] = "keyed"
    """Tells this kind of source from the others."""
    operator: Line
    """Who keyed it."""
    times: Literal[1, 2] = 1
    """How often it was keyed; 2 means that a second keying agreed."""
    second_operator: Line | None = Field(None, exclude_if=is_none)
    """Who keyed it the second time, where that was somebody else."""
    typed: Line
    """The text exactly as typed."""


class Photographed(Model):
    """Proposed from a photo of a display, and confirmed by a person."""

    kind: Literal["photo"] = "photo"
    """Tells this kind of source from the others."""
    operator: Line
    """Who confirmed the value."""
    photo: Sha256
    """The photo, by its SHA-256."""
    proposed: Line
    """What was read off the photo before a person saw it."""
    confidence: float | None = Field(None, ge=0, le=1, exclude_if=is_none)
    """That of the least sure character of what was read."""
    doubts: Annotated[tuple[Line, ...], Field(max_length=24)] = Field((), exclude_if=is_empty)
    """Kinds of doubt that the person was shown with it."""
    corrected: Line | None = Field(None, exclude_if=is_none)
    """What the person made of it; left out where they confirmed it as it was."""


class Imported(Model):
    """Taken over from a file or from another system."""

    kind: Literal["imported"] = "imported"
    """Tells this kind of source from the others."""
    operator: Line
    """Who took it over."""
    origin: Line
    """File name or system it came from."""
    file: Sha256 | None = Field(None, exclude_if=is_none)
    """The file, by its SHA-256."""


class Computed(Model):
    """Computed from other readings."""

    kind: Literal["computed"] = "computed"
    """Tells this kind of source from the others."""
    formula: Line
    """Name of the computation."""
    inputs: tuple[UUID, ...]
    """Ids of the readings it was computed from."""
    constants: dict[str, float] = Field(default_factory=dict)
    """Every constant that went in, by name."""


Source = Annotated[
    Streamed | Polled | Keyed | Photographed | Imported | Computed, Field(discriminator="kind")
]
