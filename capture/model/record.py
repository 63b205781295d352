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
    Line,
    MachineId,
    Model,
    QuantityName,
    Sha256,
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
    sha256: Sha256
    """Its ``sha256``."""


class RecordMachine(Model):
    """The machine, as it was described when the record was made."""

    id: MachineId
    nameplate: Nameplate


class RecordInstrument(Model):
    """An instrument whose readings the record holds. What nobody told is left out."""

    name: Slug
    """Its name on the bench."""
    description: Line | None = Field(None, exclude_if=is_none)
    maker: Line | None = Field(None, exclude_if=is_none)
    model: Line | None = Field(None, exclude_if=is_none)
    serial: Line | None = Field(None, exclude_if=is_none)
    calibrated: date | None = Field(None, exclude_if=is_none)
    calibration_due: date | None = Field(None, exclude_if=is_none)
    certificate: Line | None = Field(None, exclude_if=is_none)
    """Number of the calibration's certificate."""
    quantities: tuple[QuantityName, ...]
    """What was read on it."""
    overdue: bool | None = Field(None, exclude_if=is_none)
    """Whether its calibration was due before its last reading; left out where nobody can say."""


class RecordStep(Model):
    """One step of the procedure, and what became of it."""

    id: StepId
    title: Line
    quantity: QuantityName
    points: tuple[Line, ...]
    """Test points, as FIRST-SECOND."""
    status: Literal["open", "taken", "skipped"]
    how: Literal["", "settled", "timed", "operator", "keyed"] = ""
    """How it was taken: by itself once settled, at its time, by an operator, or keyed; empty for a
    step that was not."""
    conditions: JobConditions
    """Under which it was taken."""
    cautions: tuple[Text, ...] = Field((), exclude_if=is_empty)
    notes: tuple[Text, ...] = Field((), exclude_if=is_empty)


class RecordReading(Model):
    """One reading, with where it came from."""

    id: UUID
    step: StepId
    standing: Literal["taken", "superseded", "refused"]
    """Whether it holds, or another one took its place, or a person refused it."""
    reason: Line | None = Field(None, exclude_if=is_none)
    """Why it does not hold, where it does not."""
    point: Line | None = Field(None, exclude_if=is_none)
    """Test point, as FIRST-SECOND."""
    at_s: float | None = Field(None, exclude_if=is_none)
    """Seconds under voltage that it was taken for."""
    quantity: QuantityName
    unit: UnitCode
    value: float | None
    digits: Line
    shown_unit: str = Field(max_length=16)
    status: Status
    bound: Bound | None = Field(None, exclude_if=is_none)
    uncertainty: Uncertainty | None = Field(None, exclude_if=is_none)
    time: Utc
    instrument: Slug
    sequence: int = Field(ge=1)
    source: Source
    conditions: Conditions = Field(default_factory=dict, exclude_if=is_empty)
    photos: tuple[Sha256, ...] = Field((), exclude_if=is_empty)
    """Photos of the display, by their SHA-256."""
    note: Line | None = Field(None, exclude_if=is_none)
    body_sha256: Sha256
    """SHA-256 of the reading's exact bytes in the journal."""


class RecordCandidate(Model):
    """One possible cause."""

    hypothesis: Line
    probability: float = Field(ge=0, le=1)


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
    """Probability that it is that coil."""
    candidates: tuple[RecordCandidate, ...] = Field((), exclude_if=is_empty)
    """What may be, likeliest first."""
    words: tuple[Text, ...] = Field((), exclude_if=is_empty)
    """In plain English, as the analysis says it."""
    speaks_for: tuple[Text, ...] = Field((), exclude_if=is_empty)
    speaks_against: tuple[Text, ...] = Field((), exclude_if=is_empty)
    next_measurement: Text = ""
    """What would best separate the candidates."""


class LockPassed(Model):
    """A lock that a person passed on their own responsibility."""

    step: StepId
    lock: Line
    """Which lock: ramp-down, discharge or insulation."""
    reason: Reason
    operator: Line
    time: Utc


class NotConfirmed(Model):
    """What a person should have confirmed after a step, and had not when the record was made."""

    step: StepId
    what: Literal["discharge", "ramp-down"]


class Signature(Model):
    """Who stands for the job."""

    operator: Line
    time: Utc
    statement: str = Field("", max_length=500, exclude_if=is_empty)


class Record(Model):
    """The record of one job: its readings, results, verdicts, and who stands for them.

    Consumers pass over members they do not know.
    """

    schema_version: Literal[1] = 1
    id: UUID
    """UUIDv7 of this version: the entry of the journal that holds it."""
    site: Slug
    bench: Slug
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
    job: UUID
    procedure: Line
    """Name of the procedure."""
    title: Line
    started: Utc
    finished: Utc | None = Field(None, exclude_if=is_none)
    operators: tuple[Line, ...]
    """Everybody who acted in the job."""
    machine: RecordMachine
    conditions: JobConditions
    verdict: VerdictName
    """Verdict on the whole job."""
    sentence: Text
    """What the numbers say, in one plain English sentence."""
    decided_by: tuple[Line, ...] = Field((), exclude_if=is_empty)
    """Names of the results that the verdict comes from."""
    not_run: tuple[Line, ...] = Field((), exclude_if=is_empty)
    """Kinds of test that the procedure asks for and that have no readings."""
    suspicion: RecordSuspicion | None = Field(None, exclude_if=is_none)
    """What may be wrong with the winding, where there was enough to judge by."""
    results: tuple[ResultRecord, ...]
    steps: tuple[RecordStep, ...]
    readings: tuple[RecordReading, ...]
    instruments: tuple[RecordInstrument, ...]
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
    signature: Signature | None = Field(None, exclude_if=is_none)
    journal: JournalHead
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
