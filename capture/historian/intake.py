"""From a message to a row: what comes over the broker is a stranger's text until it is checked.

The topic must say what the body says, and the body must be what the schema of its kind allows.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal, TypeVar
from uuid import UUID

from pydantic import BaseModel, ConfigDict, ValidationError

from capture.model import Gap, PointOfTest, Reading, Tag
from capture.model.fields import Slug, Utc
from capture.model.result import ResultRecord
from capture.publish.topics import ROOT

#: What is subscribed to, below ROOT: site, bench, kind and what it is about.
FILTERS = tuple(
    f"{ROOT}/+/+/{below}" for below in ("reading/+/+", "tag/+", "gap/+", "result/+", "record/+")
)

_LARGEST = (1 << 63) - 1  # of a bigint

_PARTS = {"reading": 4 + 3, "tag": 4 + 2, "gap": 4 + 2, "result": 4 + 2, "record": 4 + 2}


_Model = TypeVar("_Model", bound=BaseModel)


class UnfitMessage(Exception):
    """A message that cannot be stored as what it claims to be; says why."""


@dataclass(frozen=True, slots=True)
class Row:
    """One message as it will be stored.

    Attributes:
        table, time: where it goes.
        columns: in the order of `COLUMNS`.
        source: site, bench and instrument of a reading; None for other kinds.
    """

    table: str
    time: datetime
    columns: tuple[Any, ...]
    source: tuple[str, str, str] | None = None


#: Columns by table, in the order in which rows hold them.
COLUMNS = {
    "readings": (
        "id", "time", "site", "bench", "instrument", "sequence", "quantity", "unit", "value",
        "digits", "status", "bound_side", "bound", "source", "machine", "pair", "direction", "job",
        "body",
    ),
    "tags": (
        "id", "time", "site", "bench", "instrument", "reading", "operator", "machine", "pair",
        "direction", "note", "body",
    ),
    "results": (
        "id", "time", "site", "bench", "job", "machine", "name", "value", "unit", "verdict", "body",
    ),
    "records": ("id", "time", "site", "bench", "job", "body"),
    "interruptions": (
        "id", "time", "site", "bench", "instrument", "begins", "reason", "body",
    ),
}  # fmt: skip


class _Record(BaseModel):
    """What is looked at of a job's record; the whole of it is kept as it came."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    schema_version: Literal[1]
    id: UUID
    time: Utc
    site: Slug
    bench: Slug
    job: UUID


def row_of(topic: str, payload: bytes) -> Row:
    """Check a message and give its row.

    Raises:
        UnfitMessage: it is not what its topic says, or not what the schema allows.
    """
    parts = topic.split("/")
    kind = parts[4] if len(parts) > 4 else ""  # noqa: PLR2004 - benchtally/v1/SITE/BENCH/KIND
    if len(parts) != _PARTS.get(kind) or not topic.startswith(f"{ROOT}/"):
        raise UnfitMessage("a topic that nothing is published under")
    try:
        body = payload.decode()
        return _READ[kind](payload, body, parts)
    except UnicodeDecodeError as error:
        raise UnfitMessage(f"not UTF-8 (byte {error.start})") from error
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise UnfitMessage(f"{where}: {first['msg']}" if where else first["msg"]) from error


def _reading(payload: bytes, body: str, parts: list[str]) -> Row:
    said = _read(Reading, payload)
    _compare(parts[2:4] + parts[5:7], [said.site, said.bench, said.instrument, said.quantity])
    if said.sequence > _LARGEST:
        raise UnfitMessage("sequence: more than a number of 64 bits")
    bound, tag = said.bound, said.tag
    columns = (
        said.id, said.time, said.site, said.bench, said.instrument, said.sequence, said.quantity,
        said.unit, said.value, said.digits, said.status.value,
        None if bound is None else str(getattr(bound.side, "value", bound.side)),
        None if bound is None else bound.value,
        said.source.kind,
        None if tag is None else tag.machine,
        *_point(None if tag is None else tag.test_point),
        None if tag is None else tag.job,
        body,
    )  # fmt: skip
    return Row("readings", said.time, columns, (said.site, said.bench, said.instrument))


def _tag(payload: bytes, body: str, parts: list[str]) -> Row:
    said = _read(Tag, payload)
    _compare(parts[2:4] + parts[5:6], [said.site, said.bench, said.instrument])
    columns = (
        said.id, said.time, said.site, said.bench, said.instrument, said.reading, said.operator,
        said.machine, *_point(said.test_point), said.note, body,
    )  # fmt: skip
    return Row("tags", said.time, columns)


def _gap(payload: bytes, body: str, parts: list[str]) -> Row:
    said = _read(Gap, payload)
    _compare(parts[2:4] + parts[5:6], [said.site, said.bench, said.instrument])
    columns = (
        said.id, said.end, said.site, said.bench, said.instrument, said.begin, said.reason, body,
    )  # fmt: skip
    return Row("interruptions", said.end, columns)


def _result(payload: bytes, body: str, parts: list[str]) -> Row:
    said = _read(ResultRecord, payload)
    site, bench, job = said.site or "", said.bench or "", said.job
    _compare(parts[2:4] + parts[5:6], [site, bench, str(job)])
    columns = (
        said.id, said.time, site, bench, job, said.machine, said.name, said.value, said.unit,
        said.verdict, body,
    )  # fmt: skip
    return Row("results", said.time, columns)


def _record(payload: bytes, body: str, parts: list[str]) -> Row:
    said = _read(_Record, payload)
    _compare(parts[2:4] + parts[5:6], [said.site, said.bench, str(said.job)])
    return Row("records", said.time, (said.id, said.time, said.site, said.bench, said.job, body))


def _read(model: type[_Model], payload: bytes) -> _Model:
    """Read a body to the letter: no text where a number belongs, and its version said."""
    said = model.model_validate_json(payload, strict=True)
    if "schema_version" not in said.model_fields_set:
        raise UnfitMessage("schema_version: Field required")
    return said


_READ: dict[str, Callable[[bytes, str, list[str]], Row]] = {
    "reading": _reading,
    "tag": _tag,
    "gap": _gap,
    "result": _result,
    "record": _record,
}


def _compare(topic: list[str], body: list[str]) -> None:
    """Hold the topic, which the broker's access rules guard, against the body."""
    if topic != body:
        raise UnfitMessage("its topic is not that of its body")


def _point(point: PointOfTest | None) -> tuple[str | None, str | None]:
    if point is None:
        return None, None
    direction = point.direction
    return point.pair, None if direction is None else str(getattr(direction, "value", direction))
