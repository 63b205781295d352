"""What happens in a job, one entry an event. A job's state is what replaying its events gives."""

from typing import Annotated, Any, Literal
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
)

StepId = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9.-]{0,62}$")]
Reason = Annotated[str, Field(min_length=3, max_length=500)]


class JobConditions(Model):
    """Under what a job, or a step of it, is done."""

    state: Literal["as-found", "as-left"] | None = Field(None, exclude_if=is_none)
    """As the machine was found, or as it is left."""
    rotor: Literal["in", "out", "unknown"] | None = Field(None, exclude_if=is_none)
    """Where the rotor is."""
    rotor_degrees: float | None = Field(None, exclude_if=is_none)
    """Its angle, mechanical degrees."""
    measured_at: Literal["terminals", "through-cable"] | None = Field(None, exclude_if=is_none)
    """Where the leads sit."""
    winding_celsius: float | None = Field(None, gt=-50, lt=250, exclude_if=is_none)
    """Temperature of the winding, °C."""
    temperature_by: Line | None = Field(None, exclude_if=is_none)
    """How it was measured: contact thermometer, embedded detector, stood overnight …"""
    relative_humidity: float | None = Field(None, ge=0, le=100, exclude_if=is_none)
    """In per cent."""
    range: Line | None = Field(None, exclude_if=is_none)
    """Range of the instrument."""
    lead_zero: Literal["before", "after", "before-and-after"] | None = Field(
        None, exclude_if=is_none
    )
    """When the leads were zeroed."""
    reference_check: Literal["before", "after", "before-and-after"] | None = Field(
        None, exclude_if=is_none
    )
    """When a known reference was read."""


class Started(Model):
    """The job begins, on one machine, by one procedure that is kept whole."""

    action: Literal["started"] = "started"
    machine: MachineId
    procedure: dict[str, Any]
    """The procedure as it was then, so that replaying never depends on a file."""
    conditions: JobConditions = JobConditions()


class Paused(Model):
    """Work stops for a while."""

    action: Literal["paused"] = "paused"
    reason: Reason


class Resumed(Model):
    """Work goes on, perhaps on another device."""

    action: Literal["resumed"] = "resumed"


class Selected(Model):
    """A step is to be done next, whatever the order of the procedure."""

    action: Literal["selected"] = "selected"
    step: StepId


class Taken(Model):
    """Readings are taken for a step."""

    action: Literal["taken"] = "taken"
    step: StepId
    readings: Annotated[tuple[UUID, ...], Field(min_length=1, max_length=1000)]
    how: Literal["settled", "timed", "operator", "keyed"]
    """Settled by itself, taken at its time, taken by a person's touch, or keyed."""
    conditions: JobConditions = JobConditions()
    ramp_down: bool | None = Field(None, exclude_if=is_none)
    """False where a direct current's stored energy is known to be small; else the operator says
    that the current was zero before the leads are moved."""


class Redone(Model):
    """A step is opened again; its readings stay and are superseded."""

    action: Literal["redone"] = "redone"
    step: StepId
    reason: Reason


class Refused(Model):
    """A person refuses a reading that was about to be taken."""

    action: Literal["refused"] = "refused"
    step: StepId
    reading: UUID
    reason: Reason


class Skipped(Model):
    """A step is left out."""

    action: Literal["skipped"] = "skipped"
    step: StepId
    reason: Reason


class Noted(Model):
    """A remark on the job or on a step."""

    action: Literal["noted"] = "noted"
    step: StepId | None = Field(None, exclude_if=is_none)
    text: Annotated[str, Field(min_length=1, max_length=2000)]


class ConditionsChanged(Model):
    """The conditions from here on."""

    action: Literal["conditions"] = "conditions"
    conditions: JobConditions


class Applied(Model):
    """A test voltage was on the winding, for so long. Begins the discharge lock."""

    action: Literal["applied"] = "applied"
    step: StepId
    seconds: Annotated[float, Field(gt=0, le=86_400)]


class Discharged(Model):
    """The operator says that the winding was discharged after a step."""

    action: Literal["discharged"] = "discharged"
    step: StepId


class RampedDown(Model):
    """The operator says that the meter's current was zero before the leads were moved."""

    action: Literal["ramped-down"] = "ramped-down"
    step: StepId


class Overridden(Model):
    """A person passes a lock, and says why."""

    action: Literal["overridden"] = "overridden"
    step: StepId
    lock: Literal["discharge", "insulation", "ramp-down"]
    reason: Reason


class Finished(Model):
    """No more steps are done."""

    action: Literal["finished"] = "finished"


class SignedOff(Model):
    """A person stands for the job."""

    action: Literal["signed-off"] = "signed-off"
    statement: str = Field("", max_length=500, exclude_if=is_empty)


#: What a person may do in a job besides starting it and taking a step.
Act = (
    Paused
    | Resumed
    | Selected
    | Redone
    | Refused
    | Skipped
    | Noted
    | ConditionsChanged
    | Applied
    | Discharged
    | RampedDown
    | Overridden
    | Finished
    | SignedOff
)
Event = Annotated[Started | Taken | Act, Field(discriminator="action")]


class JobEntry(Model):
    """One event of one job.

    Consumers pass over members they do not know.
    """

    schema_version: SchemaVersion = 1
    id: UUID
    """UUIDv7, made where the person acts: handing it in twice does it once."""
    site: Site
    bench: Bench
    job: UUID
    time: Utc
    operator: Line
    event: Event
