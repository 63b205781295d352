"""Entries about readings (tags) and about their absence (gaps)."""

from typing import Literal
from uuid import UUID

from pydantic import Field

from capture.model.fields import Line, MachineId, Model, Slug, Utc, is_none
from capture.model.reading import PointOfTest


class Tag(Model):
    """Ties a stored reading to a machine and a test point. The newest tag of a reading holds.

    Consumers pass over members they do not know.
    """

    schema_version: Literal[1] = 1
    id: UUID
    """UUIDv7."""
    site: Slug
    bench: Slug
    instrument: Slug
    """Instrument of the reading."""
    reading: UUID
    """Id of the reading."""
    time: Utc
    """When the tag was made."""
    operator: Line
    """Who tied it."""
    machine: MachineId
    test_point: PointOfTest | None = Field(None, exclude_if=is_none)
    """Where the leads sat."""
    note: Line | None = Field(None, exclude_if=is_none)
    supersedes: UUID | None = Field(None, exclude_if=is_none)
    """The tag that held before this one."""


class Gap(Model):
    """Says that readings of an instrument may be missing, from when to when, and why.

    Consumers pass over members they do not know.
    """

    schema_version: Literal[1] = 1
    id: UUID
    """UUIDv7."""
    site: Slug
    bench: Slug
    instrument: Slug
    begin: Utc
    """Readings from here on may be missing,"""
    end: Utc
    """up to here."""
    reason: Line
    """Why, in words."""
