"""Readings over HTTP: looking at them, tying them to machines, keying those of no job."""

import json
from collections.abc import Sequence
from functools import partial
from typing import Annotated, Any
from uuid import UUID

from fastapi import APIRouter, Query

from capture.errors import InputError, NotThereError
from capture.jobs.odd import described, odd_outside_a_job
from capture.jobs.plausible import DoubtError
from capture.journal import JournalReader
from capture.keying import FromPhoto, Keying, make_reading, refuse_other_use, with_loss
from capture.model import Evidence, ReadingDraft, Tag, TestPoint, new_id
from capture.model.fields import MachineId, QuantityName, Slug
from capture.tagging import make_tag
from capture.web.bench import Bench
from capture.web.bodies import Display, FreeKey, KeyedValue, NewTag
from capture.web.problems import responses
from capture.web.who import Operator


def make_router(bench: Bench) -> APIRouter:
    """Make the routes of readings, tags and keyed values."""
    router = APIRouter(prefix="/api", tags=["readings"])

    @router.get("/readings", responses=responses(400))
    def list_readings(
        instrument: Slug | None = None,
        quantity: QuantityName | None = None,
        machine: MachineId | None = None,
        before: Annotated[int | None, Query(ge=1, lt=1 << 62)] = None,
        limit: Annotated[int, Query(ge=1, le=500)] = 50,
    ) -> dict[str, Any]:
        """List readings, newest first, each with the tag that now holds; ``next`` goes on."""
        with bench.reader() as reader:
            page = reader.page(
                instrument=instrument,
                quantity=quantity,
                machine=machine,
                before=before,
                limit=limit,
            )
        more = page[-1][0] if len(page) == limit else None
        return {"readings": [reading for _, reading in page], "next": more}

    @router.get("/readings/{reading}", responses=responses(400, 404))
    def get_reading(reading: UUID) -> dict[str, Any]:
        """Give one reading as it was stored and published."""
        with bench.reader() as reader:
            row = reader.entry(reading)
        if row is None or row.kind != "reading":
            raise NotThereError(f"there is no reading {reading}")
        found: dict[str, Any] = json.loads(row.body)
        return found

    @router.post("/tags", status_code=201, responses=responses(400, 404, 422, 503))
    def tag_readings(body: NewTag, operator: Operator) -> dict[str, Any]:
        """Tie one reading or many to a machine and a test point, all or none.

        A machine that is not registered is asked about (422): look at its label, then confirm.
        """
        with bench.reader() as reader:
            tags = _tags(bench, reader, body, operator)
            doubts = [] if body.confirmed else described(reader, body.machine)[1]
        if doubts:
            raise DoubtError(doubts, "label")
        bench.append(tags, None)
        return {"tags": [str(tag.id) for tag in tags]}

    @router.post("/keyed", status_code=201, responses=responses(400, 404, 422, 503))
    def key_values(body: FreeKey, operator: Operator) -> dict[str, Any]:
        """Store what stands on one display and belongs to no job: all of it, or nothing.

        What is odd is asked about (422): look, then confirm.
        """
        keying = keying_of(bench, body.display, operator, body.quantity, body.machine)
        group = new_id()
        drafts: list[ReadingDraft] = []
        for value in body.values:
            point = None if value.point is None else TestPoint.parse(value.point)
            make = partial(
                make_reading,
                typed=value.typed,
                point=point,
                id_=value.id,
                group=group if value.loss is None else new_id(),
                again=value.again,
                from_photo=from_photo(bench, value),
            )
            if value.loss is None:
                drafts.append(make(keying))
                continue
            typed, id_, again = value.loss.typed, value.loss.id, value.loss.again
            shown_as = body.display.loss
            drafts += with_loss(keying, make, typed, shown_as=shown_as, id_=id_, again=again)
        with bench.reader() as reader:
            refuse_other_use(drafts, reader.entry)
            doubts = [] if body.confirmed else odd_outside_a_job(reader, drafts)
        if doubts:
            raise DoubtError(doubts)
        stored = store_drafts(bench, drafts)
        return {"readings": stored}

    return router


def _tags(bench: Bench, reader: JournalReader, body: NewTag, operator: str) -> list[Tag]:
    """Make a tag for each reading, once.

    Raises:
        NotThereError: one of them is not there.
        InputError: a field cannot be taken.
    """
    point = None if body.point is None else TestPoint.parse(body.point)
    tags = []
    for reading in dict.fromkeys(body.readings):
        row = reader.entry(reading)
        if row is None or row.kind != "reading":
            raise NotThereError(f"there is no reading {reading}; nothing was tagged")
        tags.append(
            make_tag(
                reader,
                row,
                site=bench.config.site,
                bench=bench.config.bench,
                time=bench.clock.utc(),
                operator=operator,
                machine=body.machine,
                point=point,
                note=body.note,
            )
        )
    return tags


def keying_of(
    bench: Bench, display: Display, operator: str, quantity: str, machine: str | None
) -> Keying:
    """Write what a request says of a display as keying takes it.

    Raises:
        InputError: a law stands where no pulse times do.
        NotThereError: a photo that is named was not handed in, or the second operator is nobody.
    """
    conditions = dict(display.conditions)
    if quantity == "pulse_time":
        conditions.setdefault("law", display.law or "unknown")
    elif display.law is not None:
        raise InputError("law belongs to the quantity pulse_time")
    second = display.second_operator
    if second is not None:
        second = bench.access.second(second, operator)
    missing = [digest for digest in display.photos if not bench.evidence.has(digest)]
    if missing:
        raise NotThereError(f"there is no photo {missing[0]}; hand it in first")
    return Keying(
        site=bench.config.site,
        bench=bench.config.bench,
        instrument=display.instrument,
        quantity=quantity,
        operator=operator,
        time=bench.clock.utc(),
        clock_synchronised=bench.clock.synchronised(),
        machine=machine,
        note=display.note,
        conditions=conditions,
        mark=display.decimal,
        unit=display.unit,
        evidence=tuple(
            Evidence(kind="photo", sha256=digest, media_type="image/jpeg")
            for digest in display.photos
        ),
        second_operator=second,
    )


def from_photo(bench: Bench, value: KeyedValue) -> FromPhoto | None:
    """Say what was proposed for a value that a person confirmed; None where it was typed.

    Raises:
        NotThereError: the photo was not handed in.
    """
    told = value.from_photo
    if told is None:
        return None
    if not bench.evidence.has(told.photo):
        raise NotThereError(f"there is no photo {told.photo}; hand it in first")
    return FromPhoto(told.photo, told.proposed, told.confidence, told.doubts)


def store_drafts(bench: Bench, drafts: Sequence[ReadingDraft]) -> list[dict[str, Any]]:
    """Store drafts and say back what was understood."""
    stored = bench.append(drafts, None)
    return [
        {
            "id": str(draft.id),
            "stored": bool(place.n),
            "sequence": place.sequence,
            "quantity": draft.quantity,
            "value": draft.value,
            "unit": draft.unit,
            "digits": draft.digits,
            "status": str(draft.status),
        }
        for draft, place in zip(drafts, stored, strict=True)
    ]
