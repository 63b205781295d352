"""What is on the bench: the instruments that are read, and what is known of them for records."""

from datetime import date
from typing import Any

from pydantic import Field, field_validator

from capture.config.links import LinkSettings
from capture.config.section import Section
from capture.model.fields import Line, Slug


class InstrumentConfig(Section):
    """One instrument on the bench."""

    driver: Slug
    """Driver that understands it; `benchtally drivers` lists them."""
    link: LinkSettings
    """Byte path to it; `kind` says which of those below."""
    allow: tuple[str, ...] = ()
    """Messages that may be sent to this instrument besides the queries that start nothing. Whoever
    writes one here has made sure of what it does: READ?, INITiate and the like may route current or
    voltage to the winding."""
    identity: str = Field("", max_length=200)
    """Text that must be in what the instrument says it is, such as its serial number; for drivers
    that ask *IDN?. Nothing is taken from one that has not said it, and one that says something else
    is refused."""
    options: dict[str, Any] = Field(default_factory=dict)
    """Options of the driver."""

    @field_validator("allow")
    @classmethod
    def _printable(cls, messages: tuple[str, ...]) -> tuple[str, ...]:
        for message in messages:
            if not message.strip(" "):
                raise ValueError("an empty message cannot be allowed")
        return messages


class EquipmentConfig(Section):
    """What is known of an instrument, for records: which one it is, and until when it is good."""

    description: Line | None = None
    """What it is, in words."""
    maker: Line | None = None
    """Who made it."""
    model: Line | None = None
    """Its maker's type."""
    serial: Line | None = None
    """Its maker's serial number."""
    calibrated: date | None = None
    """Day of its last calibration."""
    calibration_due: date | None = None
    """Day of the next one."""
    certificate: Line | None = None
    """Number of the calibration's certificate."""
    profile: Line | None = None
    """Profile that tells how its display is laid out, where photos of it are read."""
