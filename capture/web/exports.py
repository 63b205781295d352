"""Exports over HTTP: readings, results and trends as files."""

import tempfile
from collections.abc import Iterator
from datetime import datetime
from typing import Annotated, Any, BinaryIO
from uuid import UUID

from fastapi import APIRouter, Query
from fastapi.responses import StreamingResponse

from capture.errors import InputError
from capture.exports.forms import MEDIA_TYPES, Form, What, table_of, write
from capture.exports.selection import Selection
from capture.model.fields import MachineId, QuantityName, Slug, as_utc
from capture.web.bench import Bench
from capture.web.problems import responses

_IN_MEMORY = 1 << 20  # bytes of an export; larger ones go by a file that nobody can name
_CHUNK = 1 << 16

_FILES: dict[int | str, dict[str, Any]] = {
    200: {
        "content": {
            kind.partition(";")[0]: {"schema": {"type": "string", "format": "binary"}}
            for kind in MEDIA_TYPES.values()
        }
    },
    **responses(400, 404, 503),
}


def make_router(bench: Bench) -> APIRouter:
    """Make the route of exports."""
    router = APIRouter(prefix="/api", tags=["exports"])

    @router.get("/export/{what}.{form}", responses=_FILES, response_class=StreamingResponse)
    def export(
        what: What,
        form: Form,
        machine: MachineId | None = None,
        job: UUID | None = None,
        instrument: Slug | None = None,
        quantity: QuantityName | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        decimal: Annotated[str, Query(pattern="^(point|comma)$")] = "point",
    ) -> StreamingResponse:
        """Give readings, results or trends as a file; times without a zone are UTC."""
        asked = Selection(
            machine=machine,
            job=job,
            instrument=instrument,
            quantity=quantity,
            since=_moment("since", since),
            until=_moment("until", until),
        )
        # Written whole before the first byte is sent: what fails is told by its status.
        out: BinaryIO = tempfile.SpooledTemporaryFile(_IN_MEMORY)  # type: ignore[assignment] # noqa: SIM115 - closed when sent
        try:
            with bench.desk() as desk:
                table = table_of(what, desk, asked, bench.clock.utc())
                write(table, form, out, comma=decimal == "comma")
        except BaseException:
            out.close()
            raise
        name = "-".join([what, *([machine] if machine else [])]).replace("/", "_")
        headers = {
            "Content-Disposition": f'attachment; filename="{name}.{form}"',
            "Content-Length": str(out.tell()),
        }
        out.seek(0)
        return StreamingResponse(_chunks(out), media_type=MEDIA_TYPES[form], headers=headers)

    return router


def _moment(name: str, given: datetime | None) -> datetime | None:
    try:
        return None if given is None else as_utc(given)
    except ValueError as error:
        raise InputError(f"{name}: {error}") from error


def _chunks(out: BinaryIO) -> Iterator[bytes]:
    with out:
        while chunk := out.read(_CHUNK):
            yield chunk
