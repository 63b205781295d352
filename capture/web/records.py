"""Records of jobs over HTTP: made by a person, drawn for whoever is let in."""

from typing import Annotated, Any, Literal
from uuid import UUID

from fastapi import APIRouter, Query, Response

from capture.records.forms import MEDIA_TYPES, Form, Wish, drawn, file_name
from capture.web.bench import Bench
from capture.web.problems import responses
from capture.web.who import Operator

_FILES: dict[int | str, dict[str, Any]] = {
    200: {
        "content": {
            kind.partition(";")[0]: {
                # The JSON is the record itself, as its own schema has it.
                "schema": {"type": "object"}
                if form == "json"
                else {"type": "string", "format": "binary"}
            }
            for form, kind in MEDIA_TYPES.items()
        }
    },
    **responses(400, 404, 503),
}


def make_router(bench: Bench) -> APIRouter:
    """Make the routes of records."""
    router = APIRouter(prefix="/api/jobs", tags=["records"])

    @router.post("/{job}/record", status_code=201, responses=responses(400, 404, 409, 503))
    def make_record(job: UUID, operator: Operator) -> dict[str, Any]:
        """Make the record of a job that is signed off; the one that is there, if it still holds.

        What has changed since gives a new version, which names the earlier one.
        """
        with bench.desk() as desk:
            return bench.keeper(desk).make(job, operator).model_dump(mode="json")

    @router.get("/{job}/record.{form}", responses=_FILES, response_class=Response)
    def get_record(
        job: UUID,
        form: Form,
        operator: Operator,
        language: Annotated[str | None, Query(pattern="^[a-z]{2}$")] = None,
        paper: Literal["a4", "letter"] | None = None,
        version: Annotated[int | None, Query(ge=1, lt=1 << 31)] = None,
    ) -> Response:
        """Give a job's record as a file; of a job that is not signed off, a draft."""
        usual = bench.config.records
        wish = Wish(form, language or usual.language, paper or usual.paper)
        with bench.desk() as desk:
            record = bench.keeper(desk).shown(job, operator, version)
        data = drawn(record, wish, bench.evidence.get)
        # To be kept, not to be shown among our own pages: the page brings a style of its own.
        name = file_name(record, form)
        headers = {"Content-Disposition": f'attachment; filename="{name}"'}
        return Response(data, media_type=MEDIA_TYPES[form], headers=headers)

    return router
