"""Entries about who used the bench, and who may."""

from typing import Literal
from uuid import UUID

from pydantic import Field

from capture.model.fields import Bench, Line, Model, SchemaVersion, Site, Utc, is_none

Happening = Literal[
    "logged-in",
    "logged-out",
    "log-in-failed",
    "operator-added",
    "secret-changed",
    "operator-removed",
]


class AuditEntry(Model):
    """Says who logged in or out, who failed to, and which operators came and went.

    Stays on the bench. Readers pass over members they do not know.
    """

    schema_version: SchemaVersion = 1
    id: UUID
    """UUIDv7."""
    site: Site
    bench: Bench
    time: Utc
    what: Happening
    operator: Line | None = Field(None, exclude_if=is_none)
    """Left out where nobody of the name given is registered: it may be a PIN in the wrong field."""
    address: Line
    """Where the request came from; ``this computer`` for a command given there."""
    proven: bool | None = Field(None, exclude_if=is_none)
    """Of a log-in: by a secret, or by the name alone, as a bench without operators allows."""
    times: int = Field(1, ge=1)
    """How often since the entry before; failures that come thick are told together."""
