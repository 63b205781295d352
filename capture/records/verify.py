"""Is a record what was made then, and does the journal still say the same? Says what differs."""

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from capture.errors import InputError
from capture.extras import needs_extra
from capture.faults import one_line
from capture.journal.chain import link
from capture.model.job import JobEntry, Noted, SignedOff
from capture.model.record import Record, RecordReading, hash_of
from capture.records.build import reading_of
from capture.records.held import Entries

ATTACHMENT = "record.json"
_PDF = b"%PDF"
_VOIDS = b'"voids":true'
_MOST_BYTES = 64 << 20
#: What the job, not the reading's own entry, says of a reading in a record.
_OF_THE_JOB = ("step", "standing", "reason", "point", "at_s")


@dataclass(slots=True)
class Verified:
    """What verifying a record found.

    Attributes:
        differs: what is not as it should be, one line each; empty where everything is.
        notes: what else a reader should know.
    """

    record: Record
    differs: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def record_text(path: Path) -> bytes:
    """Give the JSON of a record's file: of the JSON itself, or attached to the PDF.

    Raises:
        InputError: it cannot be read, or there is no record in it.
        MissingExtraError: the part that reads PDF is not installed.
    """
    try:
        with path.open("rb") as file:
            data = file.read(_MOST_BYTES + 1)
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    if len(data) > _MOST_BYTES:
        raise InputError(f"{path}: larger than any record")
    return _attached(path) if data.startswith(_PDF) else data


def is_pdf(path: Path) -> bool:
    """Tell whether a file that could be read is a PDF, whatever it is called."""
    with path.open("rb") as file:
        return file.read(len(_PDF)) == _PDF


def _attached(path: Path) -> bytes:
    with needs_extra("drawing records", "records"):
        import pikepdf  # noqa: PLC0415 - an extra
    try:
        with pikepdf.open(path) as pdf:
            if ATTACHMENT in pdf.attachments:
                return bytes(pdf.attachments[ATTACHMENT].get_file().read_bytes())
    except pikepdf.PdfError as error:
        raise InputError(f"{path}: no PDF that can be read: {error}") from error
    raise InputError(f"{path}: no record is attached to this PDF")


def verify(text: bytes, entries: Entries | None) -> Verified:
    """Hold a record against itself, and against the entries of a journal where they are given.

    Raises:
        InputError: that is no record; says why.
    """
    try:
        content = json.loads(text)
        record = Record.model_validate(content)
    except ValidationError as error:
        raise InputError(f"not a record: {one_line(error)}") from error
    except (ValueError, RecursionError) as error:
        raise InputError("not a record: neither the PDF nor the JSON of one") from error
    found = Verified(record)
    if content != json.loads(record.text()):
        found.differs.append("it holds more, or other, than a record holds; that is not hashed")
    own = hash_of(record)
    if own != record.sha256:
        found.differs.append(
            f"its hash is {record.sha256}, but what it says gives {own}: it was changed"
        )
    if record.state == "draft":
        found.differs.append("it is a draft: nobody signed it off, and no journal holds it")
    if entries is not None:
        _against(found, entries)
    return found


@dataclass(slots=True)
class _Held:
    """What the journal holds of a record."""

    head: bytes | None = None
    broken: int | None = None
    stored: list[bytes] = field(default_factory=list)
    bodies: dict[str, bytes] = field(default_factory=dict)
    signatures: list[JobEntry] = field(default_factory=list)
    voided: JobEntry | None = None


def _against(found: Verified, entries: Entries) -> None:
    record = found.record
    if entries.journal != record.journal.id:
        found.differs.append(
            f"it was made from journal {record.journal.id}, this is {entries.journal}"
        )
    held = _gathered(record, entries)
    if held.broken is not None:
        found.differs.append(f"the journal's chain is broken at entry {held.broken}")
    if record.journal.n < entries.base.n:
        found.notes.append(
            f"this journal begins after entry {entries.base.n}; what was cut off before is in an "
            "export"
        )
    elif held.head is None:
        found.differs.append(f"the journal has no entry {record.journal.n}, its head then")
    elif held.head.hex() != record.journal.hash:
        found.differs.append(
            f"the hash of entry {record.journal.n} is {held.head.hex()}, the record says "
            f"{record.journal.hash}: one of them was changed"
        )
    _stored(found, held)
    for number, reading in enumerate(record.readings, start=1):
        body = held.bodies.get(str(reading.id))
        if body is None:
            found.differs.append(f"reading {number} ({reading.id}) is not in the journal")
        else:
            found.differs += [f"reading {number}: {each}" for each in _changed(reading, body)]
    _results(found, held)
    _signed(found, held)
    _void(found, held)


def _gathered(record: Record, entries: Entries) -> _Held:
    """Go through the entries once, checking the chain, and keep what the record speaks of."""
    held = _Held()
    wanted = {str(each.id) for each in record.readings}
    wanted |= {str(each.id) for each in record.results}
    job, own = str(record.job).encode(), str(record.record).encode()
    head = bytes.fromhex(entries.base.hash)
    if record.journal.n == entries.base.n:
        held.head = head
    for n, body, stored in entries.rows:
        head = link(head, body)
        if head != stored and held.broken is None:
            held.broken = n
        if n == record.journal.n:
            held.head = head
        id_ = _id_of(body)
        if id_ in wanted:
            held.bodies[id_] = body
        elif own in body and b'"readings":[' in body:
            held.stored.append(body)
        elif job in body and b'"signed-off"' in body and b'"event"' in body:
            held.signatures.append(JobEntry.model_validate_json(body))
        elif job in body and _VOIDS in body and b'"event"' in body:
            held.voided = _voiding(record, body) or held.voided
        head = stored  # a break is told once, where it is
    return held


def _voiding(record: Record, body: bytes) -> JobEntry | None:
    """Give an entry that voids the job of a record; None where it only looks like one."""
    try:
        entry = JobEntry.model_validate_json(body)
    except ValidationError:
        return None
    voids = isinstance(entry.event, Noted) and entry.event.voids and entry.job == record.job
    return entry if voids else None


def _id_of(body: bytes) -> str:
    """Give an entry's id: every kind writes it second, after its version."""
    place = body.find(b'"id":"')
    return body[place + 6 : place + 42].decode("ascii", "replace") if 0 <= place < 40 else ""  # noqa: PLR2004 - within the first members


def _stored(found: Verified, held: _Held) -> None:
    record = found.record
    versions = {}
    for body in held.stored:
        try:
            each = Record.model_validate_json(body)
        except ValidationError:
            continue  # an entry that only speaks of this record
        if each.record == record.record:
            versions[each.version] = each
    own = versions.get(record.version)
    if own is None:
        if record.state != "draft":
            found.differs.append(
                f"the journal holds no version {record.version} of record {record.record}"
            )
    elif own.text() != record.text():
        names = ", ".join(_members(record, own))
        found.differs.append(f"the journal's version {record.version} says otherwise in: {names}")
    newest = max(versions, default=record.version)
    if newest > record.version:
        found.notes.append(f"version {newest} has taken its place")


def _members(one: Record, other: Record) -> Iterator[str]:
    first, second = one.model_dump(mode="json"), other.model_dump(mode="json")
    for name in Record.model_fields:
        if first.get(name) != second.get(name):
            yield name


def _changed(reading: RecordReading, body: bytes) -> Iterator[str]:
    """Say what a reading says otherwise than its entry."""
    if hashlib.sha256(body).hexdigest() != reading.body_sha256:
        yield "its entry's hash is another one"
    of_the_job = {name: getattr(reading, name) for name in _OF_THE_JOB}
    try:
        held = reading_of(body, **of_the_job).model_dump(mode="json")
    except (ValidationError, KeyError):
        yield "its entry is no reading"
        return
    said: dict[str, Any] = reading.model_dump(mode="json")
    for name in said.keys() | held.keys():
        if name != "body_sha256" and said.get(name) != held.get(name):
            yield f"{name} is {said.get(name)!r}, the journal says {held.get(name)!r}"


def _results(found: Verified, held: _Held) -> None:
    for result in found.record.results:
        body = held.bodies.get(str(result.id))
        if body is None:
            if found.record.state != "draft":
                found.differs.append(f"result {result.name!r} is not in the journal")
        elif body != result.model_dump_json().encode():
            found.differs.append(f"result {result.name!r} says otherwise than the journal")


def _signed(found: Verified, held: _Held) -> None:
    signed = found.record.signature
    if signed is None:
        return
    own = [each for each in held.signatures if each.job == found.record.job]
    said = (signed.operator, signed.time, signed.statement)
    if not any(
        isinstance(each.event, SignedOff)
        and (each.operator, each.time, each.event.statement) == said
        for each in own
    ):
        found.differs.append(f"the journal does not say that {signed.operator} signed it off so")


def _void(found: Verified, held: _Held) -> None:
    """Say that the job is void: whoever holds an earlier version in hand cannot see it there."""
    record, entry = found.record, held.voided
    if record.voided is not None:
        void = record.voided
        if entry is None or (entry.operator, entry.time) != (void.operator, void.time):
            found.differs.append(f"the journal does not say that {void.operator} voided the job so")
        found.notes.append(f"the job is void, and the record says so: {void.reason}")
    elif entry is not None and isinstance(entry.event, Noted):
        found.differs.append(
            f"the job was voided by {entry.operator} at {entry.time:%Y-%m-%d %H:%M} UTC: "
            f"{entry.event.text}; this version is no certificate any more"
        )
