"""Errors over HTTP: each is one problem document (RFC 9457) whose ``detail`` is a line to read."""

from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict
from starlette.exceptions import HTTPException

from capture.errors import (
    AccessError,
    CaptureError,
    ConfigError,
    InputError,
    JournalError,
    NotAllowedError,
    NotThereError,
)
from capture.extras import MissingExtraError
from capture.jobs.opened import OpenJobError
from capture.jobs.plausible import DoubtError
from capture.jobs.rules import LockedError
from capture.journal import StaleError
from capture.model.fields import rfc3339
from capture.photo.store import EvidenceError
from capture.photo.worker import PhotoReadError

MEDIA_TYPE = "application/problem+json"
#: Makes of a problem what the one who asked can read.
Dress = Callable[[Request, JSONResponse], Response]
_TYPE = "urn:benchtally:problem:"


class NotNowError(CaptureError):
    """It cannot be done now; later it can."""


class Problem(BaseModel):
    """A problem document. Members beside these tell more, by type."""

    model_config = ConfigDict(extra="allow")

    type: str
    """``urn:benchtally:problem:`` and one of input, not-found, stale, open-job, locked,
    doubt, journal, not-now, not-meant, not-allowed, log-in, csrf, too-soon, internal."""
    title: str
    status: int
    detail: str
    """One line for a person: what, where, what to do."""


@cache
def _schema() -> dict[str, Any]:
    return Problem.model_json_schema()


def responses(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Describe the problems that an operation may answer with, for the OpenAPI document."""
    return {
        status: {
            "description": _TITLES.get(status, "A problem"),
            "content": {MEDIA_TYPE: {"schema": _schema()}},
        }
        for status in statuses
    }


_TITLES = {
    400: "Not acceptable as it stands",
    401: "Not logged in",
    403: "Not allowed",
    404: "Not there",
    405: "Not with this method",
    409: "Not as things are now",
    413: "Too large",
    415: "Not in this format",
    421: "Not this host",
    422: "Look once more",
    423: "Locked",
    429: "Too soon",
    503: "Not possible now",
}


def problem(status: int, kind: str, detail: str, **more: Any) -> JSONResponse:
    """Write a problem document."""
    content = {
        "type": _TYPE + kind,
        "title": _TITLES.get(status, "A problem"),
        "status": status,
        "detail": " ".join(detail.split()),
        **more,
    }
    return JSONResponse(content, status, media_type=MEDIA_TYPE)


def install(app: FastAPI, dress: Dress) -> None:
    """Answer every failure with a problem document, which ``dress`` may make a page of."""

    @app.exception_handler(RequestValidationError)
    async def _invalid(request: Request, error: RequestValidationError) -> Response:
        faults = _faults(error.errors())
        return dress(request, problem(400, "input", "; ".join(faults), faults=faults))

    @app.exception_handler(HTTPException)
    async def _http(request: Request, error: HTTPException) -> Response:
        kind = "not-found" if error.status_code == 404 else "input"  # noqa: PLR2004 - HTTP's own
        answer = problem(error.status_code, kind, str(error.detail))
        answer.headers.update(error.headers or {})
        return dress(request, answer)

    @app.exception_handler(CaptureError)
    async def _ours(request: Request, error: CaptureError) -> Response:
        return dress(request, of(error))

    @app.exception_handler(Exception)
    async def _defect(request: Request, error: Exception) -> Response:
        # The server logs the traceback; the person is told where to look.
        what = f"{request.method} {request.url.path}: {type(error).__name__}"
        told = f"internal error in {what}; the daemon's log tells more"
        return dress(request, problem(500, "internal", told))


def of(error: CaptureError) -> JSONResponse:
    """Write one of our own errors as a problem."""
    match error:
        case NotThereError():
            return problem(404, "not-found", str(error))
        case NotAllowedError():
            return problem(403, "not-allowed", str(error))
        case OpenJobError():
            return problem(409, "open-job", str(error), job=str(error.job))
        case StaleError():
            return problem(409, "stale", str(error))
        case LockedError():
            locks = [
                {
                    "name": lock.name,
                    "words": lock.words,
                    "until": None if lock.until is None else rfc3339(lock.until),
                    "job": None if lock.job is None else str(lock.job),
                    "step": lock.step,
                }
                for lock in error.locks
            ]
            return problem(423, "locked", str(error), locks=locks)
        case DoubtError():
            doubts = [
                {"words": each.words, "suggestion": each.suggestion, "meant": each.meant}
                for each in error.doubts
            ]
            return problem(422, "doubt", str(error), doubts=doubts)
        case InputError() | ConfigError():
            return problem(400, "input", str(error))
        case JournalError():
            return problem(503, "journal", str(error))
        case (
            AccessError() | EvidenceError() | MissingExtraError() | NotNowError() | PhotoReadError()
        ):
            return problem(503, "not-now", str(error))
        case _:
            return problem(500, "internal", str(error))


def _faults(errors: Sequence[Any]) -> list[str]:
    """Write one line a fault: where, and what is wrong there."""
    lines = []
    for error in errors:
        where = ".".join(str(part) for part in error["loc"]) or "the request"
        lines.append(f"{where}: {error['msg']}")
    return lines
