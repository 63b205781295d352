"""The record of a job: everything that a test certificate says, as data in no language.

It is made once from the journal and stored there whole. Every form that people see (PDF, page,
CSV) is drawn from it and adds nothing.
"""

import hashlib
from datetime import date
from typing import Annotated, Any, Literal
from uuid import UUID

from pydantic import Field

from capture.model.fields import (
    Bench,
    Line,
    MachineId,
    Model,
    QuantityName,
    SchemaVersion,
    Sha256,
    Site,
    Slug,
    UnitCode,
    Utc,
    is_empty,
    is_none,
)
from capture.model.job import JobConditions, Reason, StepId
from capture.model.machine import Nameplate
from capture.model.reading import Bound, Conditions, Uncertainty
from capture.model.result import ResultRecord, VerdictName
from capture.model.source import Source
from capture.model.status import Status
from capture.model.trend import Trend

#: What stands in ``sha256`` while the hash is computed.
UNSEALED = "0" * 64

Text = Annotated[str, Field(max_length=20_000)]


class JournalHead(Model):
    """Where the journal stood when the record was made."""

    id: Line
    """The journal's own id."""
    n: int = Field(ge=0)
    """Number of its newest entry then."""
    hash: Sha256
    """Hash of that entry, which every entry before it went into."""


class Earlier(Model):
    """The version of the record before this one."""

    version: int = Field(ge=1)
    """Its number."""
    sha256: Sha256
    """The hash that it bears, and that this one is tied to it by."""


class RecordMachine(Model):
    """The machine, as it was described when the record was made."""

    id: MachineId
    """Name on its label."""
    nameplate: Nameplate
    """What was known of it; what nobody told is left out."""


class RecordInstrument(Model):
    """An instrument whose readings the record holds. What nobody told is left out."""

    name: Slug
    """Its name on the bench."""
    description: Line | None = Field(None, exclude_if=is_none)
    """What it is, in words."""
    maker: Line | None = Field(None, exclude_if=is_none)
    """Who made it."""
    model: Line | None = Field(None, exclude_if=is_none)
    """Its maker's type."""
    serial: Line | None = Field(None, exclude_if=is_none)
    """Its maker's serial number."""
    calibrated: date | None = Field(None, exclude_if=is_none)
    """Day of its last calibration."""
    calibration_due: date | None = Field(None, exclude_if=is_none)
    """Day until which that calibration holds."""
    certificate: Line | None = Field(None, exclude_if=is_none)
    """Number of the calibration's certificate."""
    quantities: tuple[QuantityName, ...]
    """What was read on it."""
    overdue: bool | None = Field(None, exclude_if=is_none)
    """Whether its calibration was due before its last reading; left out where nobody can say."""


class RecordStep(Model):
    """One step of the procedure, and what became of it."""

    id: StepId
    """Name of the step in its procedure."""
    title: Line
    """What is done, for people."""
    quantity: QuantityName
    """What is measured."""
    points: tuple[Line, ...]
    """Test points, as FIRST-SECOND."""
    status: Literal["open", "taken", "skipped"]
    """``open``: not done; ``taken``: has readings that hold; ``skipped``: left out by a person."""
    how: Literal["", "settled", "timed", "operator", "keyed"] = ""
    """How it was taken: by itself once settled, at its time, by an operator, or keyed; empty for a
    step that was not."""
    conditions: JobConditions
    """Under which it was taken."""
    cautions: tuple[Text, ...] = Field((), exclude_if=is_empty)
    """Cautions that stand before this step."""
    notes: tuple[Text, ...] = Field((), exclude_if=is_empty)
    """What people noted on it, and why it was skipped where it was."""


class RecordReading(Model):
    """One reading, with where it came from."""

    id: UUID
    """Id of the reading in the journal."""
    step: StepId
    """Step of the job that it was taken for."""
    standing: Literal["taken", "superseded", "refused"]
    """Whether it holds, or another one took its place, or a person refused it."""
    reason: Line | None = Field(None, exclude_if=is_none)
    """Why it does not hold, where it does not."""
    point: Line | None = Field(None, exclude_if=is_none)
    """Test point, as FIRST-SECOND."""
    at_s: float | None = Field(None, exclude_if=is_none)
    """Seconds under voltage that it was taken for."""
    quantity: QuantityName
    """What was measured."""
    unit: UnitCode
    """UCUM code."""
    value: float | None
    """In ``unit``; null where the display had no number."""
    digits: Line
    """The number exactly as shown."""
    shown_unit: str = Field(max_length=16)
    """The unit exactly as shown."""
    status: Status
    """What kind of value the instrument showed."""
    bound: Bound | None = Field(None, exclude_if=is_none)
    """Where the value lies, if it is out of range and a bound is known."""
    uncertainty: Uncertainty | None = Field(None, exclude_if=is_none)
    """Left out where nothing is known of the instrument's accuracy."""
    time: Utc
    """When the value was received or keyed."""
    instrument: Slug
    """The instrument's name on the bench."""
    sequence: int = Field(ge=1)
    """Its number among the readings of that instrument."""
    source: Source
    """How the value came to be."""
    conditions: Conditions = Field(default_factory=dict, exclude_if=is_empty)
    """Settings the value was shown under; numbers never without a unit."""
    photos: tuple[Sha256, ...] = Field((), exclude_if=is_empty)
    """Photos of the display, by their SHA-256."""
    note: Line | None = Field(None, exclude_if=is_none)
    """What a person remarked on it; left out where nobody did."""
    body_sha256: Sha256
    """SHA-256 of the reading's exact bytes in the journal."""


class RecordCandidate(Model):
    """One possible cause."""

    hypothesis: Line
    """What would have to be wrong, such as fewer turns in one coil."""
    probability: float = Field(ge=0, le=1)
    """Probability given the readings, 0 to 1."""


class RecordSuspicion(Model):
    """What may be wrong with the winding."""

    statement: Literal["balanced", "named", "cannot tell", "no single cause"]
    """Kind of answer: no difference found, one cause named, not to be told, or more than one cause
    needed."""
    hypothesis: Line | None = Field(None, exclude_if=is_none)
    """The cause that is named."""
    coils: dict[str, str] = Field(default_factory=dict, exclude_if=is_empty)
    """The suspected coil, by connection."""
    coil_probability: float | None = Field(None, exclude_if=is_none)
    """How likely it is that coil and no other of the three, 0 to 1; 0 where none is suspected."""
    candidates: tuple[RecordCandidate, ...] = Field((), exclude_if=is_empty)
    """What may be, likeliest first."""
    words: tuple[Text, ...] = Field((), exclude_if=is_empty)
    """In plain English, as the analysis says it."""
    speaks_for: tuple[Text, ...] = Field((), exclude_if=is_empty)
    """Readings that agree with the likeliest cause, in words."""
    speaks_against: tuple[Text, ...] = Field((), exclude_if=is_empty)
    """Readings that do not agree with it, in words."""
    next_measurement: Text = ""
    """What would best separate the candidates."""


class LockPassed(Model):
    """A lock that a person passed on their own responsibility."""

    step: StepId
    """Step that it stood before or after."""
    lock: Line
    """Which lock: ramp-down, discharge or insulation."""
    reason: Reason
    """Why, in the words of who passed it."""
    operator: Line
    """Who passed it."""
    time: Utc
    """When they did."""


class NotConfirmed(Model):
    """What a person should have confirmed after a step, and had not when the record was made."""

    step: StepId
    """Step that asked for it."""
    what: Literal["discharge", "ramp-down"]
    """``discharge``: that the winding was discharged; ``ramp-down``: that the meter's current
    was zero."""


class Signature(Model):
    """Who stands for the job."""

    operator: Line
    """Who signed the job off."""
    time: Utc
    """When they did."""
    statement: str = Field("", max_length=500, exclude_if=is_empty)
    """What they said with it; left out where they said nothing."""


class RecordVoid(Model):
    """That the job counts for nothing, by whom, and why."""

    operator: Line
    """Who voided it."""
    time: Utc
    """When they did."""
    reason: Text
    """Why, in their words."""


class Record(Model):
    """The record of one job: its readings, results, verdicts, and who stands for them.

    Consumers pass over members they do not know.
    """

    schema_version: SchemaVersion = 1
    id: UUID
    """UUIDv7 of this version: the entry of the journal that holds it."""
    site: Site
    bench: Bench
    time: Utc
    """When this version was made."""
    record: UUID
    """The record's own id: the same in every version."""
    version: int = Field(ge=1)
    """1 for the first; another one for each making that changed something."""
    replaces: Earlier | None = Field(None, exclude_if=is_none)
    """The version that this one takes the place of."""
    state: Literal["draft", "signed-off"]
    """A draft is no certificate, and stands in no journal."""
    made_by: Line
    """Who had it made."""
    software: Line
    """Program that made it, with its release."""
    job: UUID
    """Id of the job that it is of."""
    procedure: Line
    """Name of the procedure."""
    title: Line
    """Title of the procedure."""
    started: Utc
    """When the job was begun."""
    finished: Utc | None = Field(None, exclude_if=is_none)
    """When somebody said that no more steps are done; left out while nobody has."""
    operators: tuple[Line, ...]
    """Everybody who acted in the job."""
    machine: RecordMachine
    """What was tested."""
    conditions: JobConditions
    """Conditions of the job as a whole; a step may have others."""
    verdict: VerdictName
    """Verdict on the whole job."""
    sentence: Text
    """What the numbers say, in one plain English sentence."""
    decided_by: tuple[Line, ...] = Field((), exclude_if=is_empty)
    """Names of the results that the verdict comes from."""
    not_run: tuple[Line, ...] = Field((), exclude_if=is_empty)
    """Kinds of test that the procedure asks for and that have no readings; of a kind that has some,
    the places that nobody has tested."""
    without_result: tuple[Line, ...] = Field((), exclude_if=is_empty)
    """Kinds of test, or places, that were done, and whose readings came to no result; the remarks
    say why."""
    suspicion: RecordSuspicion | None = Field(None, exclude_if=is_none)
    """What may be wrong with the winding, where there was enough to judge by."""
    results: tuple[ResultRecord, ...]
    """Everything that was computed from the readings, with its verdict."""
    steps: tuple[RecordStep, ...]
    """In the order of the procedure."""
    readings: tuple[RecordReading, ...]
    """All that were taken for the job, those that no longer hold too."""
    instruments: tuple[RecordInstrument, ...]
    """Those that the readings came from."""
    cautions: tuple[Text, ...] = Field((), exclude_if=is_empty)
    """Cautions of the procedure, as they were shown."""
    locks_passed: tuple[LockPassed, ...] = Field((), exclude_if=is_empty)
    """Locks that a person passed."""
    not_confirmed: tuple[NotConfirmed, ...] = Field((), exclude_if=is_empty)
    """Confirmations that were missing when the record was made."""
    remarks: tuple[Text, ...] = Field((), exclude_if=is_empty)
    """Remarks on the computation: what was not used or not computed, and why."""
    notes: tuple[Text, ...] = Field((), exclude_if=is_empty)
    """What people noted."""
    trends: tuple[Trend, ...] = Field((), exclude_if=is_empty)
    """How the values of this machine have moved up to this job."""
    voided: RecordVoid | None = Field(None, exclude_if=is_none)
    """Left out where the job stands. Where it is void, the record is no certificate, whatever its
    ``state`` says and whoever has signed it; its verdict is "not applicable"."""
    signature: Signature | None = Field(None, exclude_if=is_none)
    """Left out while nobody has signed the job off."""
    journal: JournalHead
    """Ties the record to the journal that it was made from."""
    sha256: Sha256
    """SHA-256 of this JSON text as it was written first, with 64 zeros in this place."""

    def text(self) -> bytes:
        """Write the record as the exact bytes that are stored, published and embedded."""
        return self.model_dump_json().encode()


def sealed(record: Record) -> Record:
    """Give the record with its hash in its place."""
    return record.model_copy(update={"sha256": hash_of(record)})


def hash_of(record: Record) -> str:
    """Compute the hash that belongs into ``sha256``."""
    bare = record.model_copy(update={"sha256": UNSEALED})
    return hashlib.sha256(bare.text()).hexdigest()


#: Members that differ between two makings of the same content.
_OF_THE_MAKING = frozenset(
    {"id", "time", "record", "version", "replaces", "made_by", "software", "journal", "sha256"}
)


def content_of(record: Record) -> dict[str, Any]:
    """Give what a record says of its job: equal for two makings without a change between them."""
    content = record.model_dump(mode="json", exclude=set(_OF_THE_MAKING))
    for result in content["results"]:
        del result["id"], result["time"]
    return content
