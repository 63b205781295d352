"""Entries about the journal itself: where it begins when that is not with its first entry."""

from typing import Literal
from uuid import UUID

from pydantic import Field

from capture.model.fields import (
    Bench,
    Line,
    Model,
    SchemaVersion,
    Sha256,
    Site,
    Utc,
    is_empty,
    is_none,
)


class Base(Model):
    """What stands before the first entry that a journal holds.

    A journal that was never cut begins after number 0 with a hash of zeros.
    """

    n: int = Field(0, ge=0)
    """Number of the last entry before the first one held."""
    hash: Sha256 = "0" * 64
    """Hash of that entry."""
    sequences: dict[str, int] = Field(default_factory=dict)
    """Sequence number that each instrument had come to by then."""
    records: tuple[tuple[str, str], ...] = Field((), exclude_if=is_empty)
    """Stored results, by instrument and its own name of them, that must not be taken again."""


class Anchor(Model):
    """Vouches, inside the chain, for where the journal begins.

    Consumers pass over members they do not know.
    """

    schema_version: SchemaVersion = 1
    id: UUID
    """UUIDv7."""
    site: Site
    bench: Bench
    time: Utc
    cause: Literal["trimmed", "set-aside"]
    """Old entries were cut off, or a damaged file was set aside and this one begun."""
    base: Base
    count: int = Field(0, ge=0)
    """Entries that were cut off this time."""
    operator: Line | None = Field(None, exclude_if=is_none)
    export: Line | None = Field(None, exclude_if=is_none)
    """Name of the file that the entries were written to before they were cut off."""
    export_sha256: Sha256 | None = Field(None, exclude_if=is_none)
    restated: tuple[tuple[UUID, UUID], ...] = Field((), exclude_if=is_empty)
    """Entries that still held and were said anew before the cut: old id, new id."""
    set_aside: Line | None = Field(None, exclude_if=is_none)
    """Name that the damaged file was given."""
    previous: UUID | None = Field(None, exclude_if=is_none)
    """Id of the damaged journal, where it could be read."""
    reason: Line | None = Field(None, exclude_if=is_none)
