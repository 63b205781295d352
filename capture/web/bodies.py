"""What requests bring. Unknown members are refused: a misspelt one would be lost in silence."""

from typing import Annotated, Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field

from capture.model.described import Described
from capture.model.fields import Line, MachineId, QuantityName, Sha256, Slug
from capture.model.job import Act, JobConditions
from capture.model.machine import Nameplate

#: What was typed for one value.
Typed = Annotated[str, Field(min_length=1, max_length=80)]
Note = Annotated[str, Field(min_length=1, max_length=500)]


class Body(Described, BaseModel):
    """Base of all bodies."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Write(Body):
    """Something to be written once."""

    id: UUID
    """UUIDv7, made where the person acts; handing it in again does nothing."""


class JobWrite(Write):
    """Something to be written in a job."""

    seen: Annotated[int, Field(ge=0, lt=1 << 62)]
    """``last`` of the job as it was looked at; 409 where somebody has acted since."""


class NewMachine(Write):
    """A machine, or what is known of it anew."""

    machine: MachineId
    """Name on its label."""
    nameplate: Nameplate = Nameplate()
    """What is known of it; what is left out is not known."""
    note: str = Field("", max_length=500)
    """A remark that is stored with it."""
    new: bool = False
    """True: it is refused where there is such a machine, whose description it would replace."""
    earlier: Annotated[tuple[UUID, ...], Field(max_length=20)] = ()
    """Ids of tries to register it whose answer never came: what they stored may be replaced."""


class NewJob(Write):
    """A job to be started."""

    job: UUID
    """UUIDv7 of the job, made where the person acts."""
    machine: MachineId
    """Machine to test, as registered."""
    procedure: Slug
    """Name of a procedure, built in or on the search path."""
    conditions: JobConditions = JobConditions()
    """Under what it is done, until somebody says otherwise."""
    beside: UUID | None = None
    """Id of the open job of the same procedure and machine beside which this one is meant, as the
    problem ``open-job`` (409) names it."""


class VoidJob(JobWrite):
    """That a job counts for nothing."""

    reason: Annotated[str, Field(min_length=3, max_length=500)]
    """Why, in the words of who does it; it stands wherever the job is shown."""


class NewAct(JobWrite):
    """An act in a job."""

    event: Annotated[Act, Field(discriminator="action")]
    """What the person does."""


class Take(JobWrite):
    """Readings to be taken for a step."""

    readings: Annotated[tuple[UUID, ...], Field(max_length=100)] = ()
    """Empty: the newest of the step's quantity since the step was opened."""
    conditions: JobConditions = JobConditions()
    """Conditions that hold for what is taken here; the rest is as for the job."""
    applied_seconds: float | None = Field(None, gt=0, le=86_400)
    """For how long the test voltage was on the winding."""


class PhotoToRead(Body):
    """A photo of a display that shows the values of a step."""

    photo: Sha256
    """SHA-256 of a photo that was handed in before."""
    instrument: Slug | None = None
    """Instrument whose display it shows; what is known of its layout helps."""


class FromPhoto(Body):
    """What was proposed from a photo, where a person confirmed or corrected it."""

    photo: Sha256
    """The photo, handed in before."""
    proposed: Line
    """``text`` of the proposal."""
    confidence: float | None = Field(None, ge=0, le=1)
    """Of the proposal: that of its least sure character, 0 to 1."""
    doubts: Annotated[tuple[Slug, ...], Field(max_length=24)] = ()
    """Kinds of doubt that the person was shown."""


class ReadDisplay(Body):
    """What to look for in a photo of a display; stores nothing."""

    quantity: QuantityName
    """What the values are of."""
    points: Annotated[tuple[Annotated[str, Field(max_length=200)], ...], Field(max_length=24)] = ()
    """Test points of the step, in the order of the instrument."""
    profile: Slug | None = None
    """Profile of the instrument, whose ``[display]`` says how it is laid out."""


class KeyedLoss(Body):
    """What stood beside an inductance, as typed."""

    id: UUID
    """UUIDv7 of its reading, made where it is typed."""
    typed: Typed
    """With its name (``Q 13.4``, ``D 0.0746``, ``Rs 831 mΩ``, ``Rp 4.7 kΩ``, ``θ 85.7°``), or as
    ``display.loss`` says."""
    again: Typed | None = None
    """The same as a second person typed it; without, one person keyed it."""


class KeyedValue(Body):
    """One value as typed."""

    id: UUID
    """UUIDv7 of the reading, made where the value is typed."""
    typed: Typed
    """The text exactly as typed, with its unit or without."""
    again: Typed | None = None
    """The same value as a second person typed it."""
    elapsed: float | None = Field(None, gt=0, le=86_400)
    """Seconds since the voltage was reached, for insulation."""
    from_photo: FromPhoto | None = None
    """Given where the person confirms, or corrects, what was read off a photo."""
    loss: KeyedLoss | None = None
    """What stood beside it, where it is an inductance."""


class Display(Body):
    """What is the same for all values that stand on one display."""

    instrument: Slug = "keyed"
    """Instrument whose display it is, by its name on the bench."""
    unit: str = Field("", max_length=16)
    """Unit as shown, for values that have none beside them."""
    loss: str = Field("", max_length=16)
    """Which loss stands beside inductances, with its unit, for those that do not say it: ``Q``,
    ``D``, ``Rs mΩ``, ``Rp kΩ``, ``θ``."""
    decimal: Literal["auto", "point", "comma"] = "auto"
    """Mark before the decimals; ``auto`` takes what is clear and refuses the rest."""
    law: Literal["period", "time-constant", "rise", "unknown"] | None = None
    """Law of pulse times; left out for all else."""
    conditions: dict[Slug, Line] = Field(default_factory=dict, max_length=12)
    """Settings that hold for every value, in words."""
    photos: Annotated[tuple[Sha256, ...], Field(max_length=8)] = ()
    """SHA-256 of photos of the display that were handed in before."""
    note: Note | None = None
    """A remark that is stored with every value."""
    second_operator: Line | None = None
    """Who typed the same values again; each value then has ``again``."""


class Key(JobWrite):
    """All values of a step that stand on one display at once."""

    display: Display = Display()
    """What all the values share."""
    values: Annotated[tuple[KeyedValue, ...], Field(min_length=1, max_length=24)]
    """One for each test point or time of the step."""
    shown_deviation: KeyedValue | None = None
    """The deviation that the instrument itself shows."""
    confirmed: bool = False
    """A person was asked about what is odd, and the values stand so."""
    conditions: JobConditions = JobConditions()
    """Conditions that hold for what is taken here; the rest is as for the job."""
    applied_seconds: float | None = Field(None, gt=0, le=86_400)
    """For how long the test voltage was on the winding."""


class PlacedValue(KeyedValue):
    """One value as typed, at a test point."""

    point: str | None = Field(None, max_length=200)
    """Test point, such as ``U-V``; null where none is told."""


class FreeKey(Body):
    """Keyed values that belong to no job."""

    quantity: QuantityName
    """What the values are of."""
    machine: MachineId | None = None
    """Machine that they are of, by the name on its label."""
    confirmed: bool = False
    """A person was asked about what is odd, and the values stand so."""
    display: Display = Display()
    """What all the values share."""
    values: Annotated[tuple[PlacedValue, ...], Field(min_length=1, max_length=24)]
    """All that stand on the display at once."""


class NewTag(Body):
    """Ties readings to a machine, and to a test point."""

    readings: Annotated[tuple[UUID, ...], Field(min_length=1, max_length=200)]
    """Ids of the readings."""
    machine: MachineId
    """Name on the label of the machine."""
    point: str | None = Field(None, max_length=200)
    """Test point, such as ``U-V``; null where none is told."""
    note: Note | None = None
    """A remark that is stored with it."""
    confirmed: bool = False
    """A person was asked about a machine that is not registered, and it is meant."""
