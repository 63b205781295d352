"""A machine: what its nameplate says, and what else must be known to test and judge it."""

from typing import Literal
from uuid import UUID

from pydantic import Field

from capture.model.fields import (
    Bench,
    Line,
    MachineId,
    Model,
    SchemaVersion,
    Site,
    Utc,
    is_empty,
    is_none,
    is_unknown,
)

Connection = Literal["star", "delta", "open", "unknown"]
WindingType = Literal["random", "form", "concentric", "field", "dc-armature", "unknown"]


class Nameplate(Model):
    """What is known of a machine. Everything may be unknown."""

    rated_volts: float | None = Field(None, gt=0, exclude_if=is_none)
    """Rated voltage, V: between lines for three phases, else at the terminals."""
    rated_watts: float | None = Field(None, gt=0, exclude_if=is_none)
    """Rated output, W."""
    rated_amperes: float | None = Field(None, gt=0, exclude_if=is_none)
    """Rated current, A."""
    rated_hertz: float | None = Field(None, gt=0, exclude_if=is_none)
    """Rated frequency, Hz."""
    rated_rpm: float | None = Field(None, gt=0, exclude_if=is_none)
    """Rated speed, turns a minute."""
    rotor_volts: float | None = Field(None, gt=0, exclude_if=is_none)
    """Voltage between the slip rings of a wound rotor, V, open and at standstill; what follows for
    the insulation of terminals K, L, M follows from it."""
    excitation_volts: float | None = Field(None, gt=0, exclude_if=is_none)
    """Rated voltage of a separately excited field, V; the same for terminals F."""
    poles: int | None = Field(None, ge=2, le=96, multiple_of=2, exclude_if=is_none)
    """Number of poles; always even."""
    connection: Connection = "unknown"
    """How the phases are joined."""
    winding: WindingType = Field("unknown", exclude_if=is_unknown)
    """Kind of winding; decides which limits apply. Not known where it is left out: what is judged
    by it stays undecided between the limits of the kinds that it may be. Concentric says how coils
    are laid out, not how they are made: it is judged as not known, and no difference between its
    phases is a fail by itself."""
    parallel_paths: int | None = Field(None, ge=1, le=24, exclude_if=is_none)
    """Parallel paths of a phase."""
    coils_per_group: int | None = Field(None, ge=1, le=48, exclude_if=is_none)
    """Coils in a group."""
    thermal_class: Literal[105, 120, 130, 155, 180] | None = Field(None, exclude_if=is_none)
    """Thermal class by its temperature, °C."""
    insulation: Literal["thermoplastic", "thermosetting"] = "thermosetting"
    """Kind of insulation; decides the correction to 40 °C."""
    leads: Literal[3, 4, 6, 9, 12] | None = Field(None, exclude_if=is_none)
    """How many leads are brought out."""
    conductor: Literal["copper", "aluminium"] | None = Field(None, exclude_if=is_none)
    """Metal of the winding."""
    zero_resistance_celsius: float | None = Field(None, ge=200, le=260, exclude_if=is_none)
    """k of the conductor that the site uses: copper 234.5 or 235, aluminium 225 or 228."""
    year: int | None = Field(None, ge=1880, le=2200, exclude_if=is_none)
    """Year it was made or wound."""
    serial: Line | None = Field(None, exclude_if=is_none)
    """Its maker's serial number."""
    order: Line | None = Field(None, exclude_if=is_none)
    """Order or work number."""
    label: Line | None = Field(None, exclude_if=is_none)
    """Code on a label that a scanner reads."""
    description: Line | None = Field(None, exclude_if=is_none)
    """What it drives or where it stands, in words."""


class MachineEntry(Model):
    """Registers a machine, or says anew what is known of it. The newest entry holds.

    Consumers pass over members they do not know.
    """

    schema_version: SchemaVersion = 1
    id: UUID
    """UUIDv7 of this entry."""
    site: Site
    bench: Bench
    time: Utc
    """When it was said."""
    operator: Line
    """Who said it."""
    machine: MachineId
    """Name on its label."""
    nameplate: Nameplate
    """What is known of it now; an earlier entry counts for nothing."""
    note: str = Field("", max_length=500, exclude_if=is_empty)
    """What the operator remarked."""
