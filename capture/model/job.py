"""What happens in a job, one entry an event. A job's state is what replaying its events gives."""

from typing import Annotated, Any, Literal, Self
from uuid import UUID

from pydantic import Field, model_validator

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
from capture.model.result import VerdictName

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
    """Tells this act from the others."""
    machine: MachineId
    """Name on the label of the machine."""
    procedure: dict[str, Any]
    """The procedure as it was then, so that replaying never depends on a file."""
    conditions: JobConditions = JobConditions()
    """Under what it is done, until somebody says otherwise."""


class Paused(Model):
    """Work stops for a while."""

    action: Literal["paused"] = "paused"
    """Tells this act from the others."""
    reason: Reason
    """Why, in the words of who did it."""


class Resumed(Model):
    """Work goes on, perhaps on another device."""

    action: Literal["resumed"] = "resumed"
    """Tells this act from the others."""


class Selected(Model):
    """A step is to be done next, whatever the order of the procedure."""

    action: Literal["selected"] = "selected"
    """Tells this act from the others."""
    step: StepId
    """Step that it is about, by its name in the procedure."""


class Taken(Model):
    """Readings are taken for a step."""

    action: Literal["taken"] = "taken"
    """Tells this act from the others."""
    step: StepId
    """Step that it is about, by its name in the procedure."""
    readings: Annotated[tuple[UUID, ...], Field(min_length=1, max_length=1000)]
    """Ids of the readings, in the order of the step's test points or times."""
    how: Literal["settled", "timed", "operator", "keyed"]
    """Settled by itself, taken at its time, taken by a person's touch, or keyed."""
    conditions: JobConditions = JobConditions()
    """Conditions that hold for what is taken here; the rest is as for the job."""
    ramp_down: bool | None = Field(None, exclude_if=is_none)
    """False where a direct current's stored energy is known to be small; else the operator says
    that the current was zero before the leads are moved."""


class Redone(Model):
    """A step is opened again; its readings stay and are superseded."""

    action: Literal["redone"] = "redone"
    """Tells this act from the others."""
    step: StepId
    """Step that it is about, by its name in the procedure."""
    reason: Reason
    """Why, in the words of who did it."""


class Refused(Model):
    """A person refuses a reading that was about to be taken."""

    action: Literal["refused"] = "refused"
    """Tells this act from the others."""
    step: StepId
    """Step that it is about, by its name in the procedure."""
    reading: UUID
    """Id of the reading that is refused."""
    reason: Reason
    """Why, in the words of who did it."""


class Skipped(Model):
    """A step is left out."""

    action: Literal["skipped"] = "skipped"
    """Tells this act from the others."""
    step: StepId
    """Step that it is about, by its name in the procedure."""
    reason: Reason
    """Why, in the words of who did it."""


class Noted(Model):
    """A remark on the job or on a step; or that the whole job is void.

    Voiding is a remark with a mark on it, so that a program that does not know the mark still reads
    why.
    """

    action: Literal["noted"] = "noted"
    """Tells this act from the others."""
    step: StepId | None = Field(None, exclude_if=is_none)
    """Step that it is about; left out for the job as a whole."""
    text: Annotated[str, Field(min_length=1, max_length=2000)]
    """The remark."""
    voids: Literal[True] | None = Field(None, exclude_if=is_none)
    """True where the job counts for nothing from here on; the remark says why. Nothing of it is
    deleted, and what a test voltage has left on a winding stays owed."""

    @model_validator(mode="after")
    def _voids_the_whole(self) -> Self:
        if self.voids and self.step is not None:
            raise ValueError("a job is voided as a whole; to leave out a step, skip or redo it")
        return self


class ConditionsChanged(Model):
    """The conditions from here on."""

    action: Literal["conditions"] = "conditions"
    """Tells this act from the others."""
    conditions: JobConditions
    """What changes; what is left out stays as it was."""


class Applied(Model):
    """A test voltage was on the winding, for so long. Begins the discharge lock."""

    action: Literal["applied"] = "applied"
    """Tells this act from the others."""
    step: StepId
    """Step that it is about, by its name in the procedure."""
    seconds: Annotated[float, Field(gt=0, le=86_400)]
    """For how long the voltage was on the winding, s. Four times as long it has to stay earthed."""


class Discharged(Model):
    """The operator says that the winding was discharged after a step."""

    action: Literal["discharged"] = "discharged"
    """Tells this act from the others."""
    step: StepId
    """Step that it is about, by its name in the procedure."""


class RampedDown(Model):
    """The operator says that the meter's current was zero before the leads were moved."""

    action: Literal["ramped-down"] = "ramped-down"
    """Tells this act from the others."""
    step: StepId
    """Step that it is about, by its name in the procedure."""


class Overridden(Model):
    """A person passes a lock, and says why."""

    action: Literal["overridden"] = "overridden"
    """Tells this act from the others."""
    step: StepId
    """Step that it is about, by its name in the procedure."""
    lock: Literal["discharge", "insulation", "ramp-down"]
    """Which lock is passed."""
    reason: Reason
    """Why, in the words of who did it."""
    up_to: Annotated[int, Field(ge=0, lt=1 << 62)] | None = Field(None, exclude_if=is_none)
    """For ``discharge``: number in the journal of the newest voltage of the machine's other jobs
    that whoever passes the lock had been shown; 0 for none. A later one is not passed. Left out in
    old entries, which passed all before them."""
    failed: bool | None = Field(None, exclude_if=is_none)
    """For ``insulation``: whether a reading had failed when the lock was passed; where none had,
    one that fails later is not passed. Left out in old entries, which passed that too."""


class Finished(Model):
    """No more steps are done."""

    action: Literal["finished"] = "finished"
    """Tells this act from the others."""
    verdict: VerdictName | None = Field(None, exclude_if=is_none)
    """Verdict on the whole job then, as the bench computed it; whatever is handed in is replaced.
    Left out by programs that did not store it."""
    doubt: str = Field("", max_length=400, exclude_if=is_empty)
    """What stands behind that verdict, or against it, in words."""


class SignedOff(Model):
    """A person stands for the job."""

    action: Literal["signed-off"] = "signed-off"
    """Tells this act from the others."""
    statement: str = Field("", max_length=500, exclude_if=is_empty)
    """What the person stands for, in a sentence."""
    verdict: VerdictName | None = Field(None, exclude_if=is_none)
    """As in ``finished``, when it was signed off."""
    doubt: str = Field("", max_length=400, exclude_if=is_empty)
    """What stands behind that verdict, or against it, in words."""


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
    """Id of the job."""
    time: Utc
    """When it happened."""
    operator: Line
    """Who acted."""
    event: Event
    """What happened."""
