"""Entries about readings (tags) and about their absence (gaps)."""

from uuid import UUID

from pydantic import Field

from capture.model.fields import (
    Bench,
    Line,
    MachineId,
    Model,
    SchemaVersion,
    Site,
    Slug,
    Utc,
    is_none,
)
from capture.model.reading import PointOfTest


class Tag(Model):
    """Ties a stored reading to a machine and a test point. The newest tag of a reading holds.

    Consumers pass over members they do not know.
    """

    schema_version: SchemaVersion = 1
    id: UUID
    """UUIDv7."""
    site: Site
    bench: Bench
    instrument: Slug
    """Instrument of the reading."""
    reading: UUID
    """Id of the reading."""
    time: Utc
    """When the tag was made."""
    operator: Line
    """Who tied it."""
    machine: MachineId
    """Name on the label of the machine that was read."""
    test_point: PointOfTest | None = Field(None, exclude_if=is_none)
    """Where the leads sat."""
    note: Line | None = Field(None, exclude_if=is_none)
    """What the operator remarked; left out where they did not."""
    supersedes: UUID | None = Field(None, exclude_if=is_none)
    """The tag that held before this one."""


class Gap(Model):
    """Says that readings of an instrument may be missing, from when to when, and why.

    Consumers pass over members they do not know.
    """

    schema_version: SchemaVersion = 1
    id: UUID
    """UUIDv7."""
    site: Site
    bench: Bench
    instrument: Slug
    """Instrument whose readings may be missing, by its name on the bench."""
    begin: Utc
    """From here on readings may be missing."""
    end: Utc
    """Until here; what comes after it is whole again."""
    reason: Line
    """Why, in words."""
