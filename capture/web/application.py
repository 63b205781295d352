"""The HTTP API of a bench, put together."""

from typing import Any

from fastapi import FastAPI

from capture import __version__
from capture.web import (
    evidence,
    exports,
    health,
    jobs,
    live,
    machines,
    metrics,
    pages,
    photos,
    problems,
    procedures,
    readings,
    records,
    session,
    trends,
)
from capture.web.bench import Bench
from capture.web.door import Door
from capture.web.guard import Guard
from capture.web.parameters import describe_parameters
from capture.web.problems import responses

_FORBIDDEN = 403
_NO_SESSION = ("/health", "/metrics")
_DESCRIPTION = """\
Jobs at the motor-repair bench: machines, procedures, guided steps, keyed and captured readings,
results. Everything written is an entry in the bench's journal. Errors are problem documents
(RFC 9457).

Everything but `/health` (and `/metrics`, for programs of this computer) needs a session:
`POST /api/session` gives one, in a cookie. What writes sends the header `Benchtally-CSRF` with what
the session says as `csrf`.

This software reads instruments. It is not a safety device: isolate, lock off, prove dead and
discharge by the instruments and rules made for that.
"""


def make_app(bench: Bench) -> FastAPI:
    """Make the application that serves one bench."""
    app = FastAPI(
        title="Benchtally",
        version=__version__,
        description=_DESCRIPTION,
        # The interactive pages load scripts from elsewhere.
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
    )
    problems.install(app, pages.make_problem_page(bench))
    for router in (
        machines.make_router(bench),
        procedures.make_router(),
        jobs.make_router(bench),
        readings.make_router(bench),
        records.make_router(bench),
        trends.make_router(bench),
        exports.make_router(bench),
        evidence.make_router(bench),
        photos.make_router(bench),
        photos.make_label_router(bench),
        live.make_router(bench),
        session.make_router(bench),
        health.make_router(bench),
        metrics.make_router(bench),
    ):
        app.include_router(router)

    app.include_router(pages.make_router(bench))
    app.mount("/static", pages.static_files(), "static")

    # The last one added is the first that a request meets.
    app.add_middleware(
        Door, access=bench.access, cookie=bench.cookie, also_open=metrics.open_paths(bench)
    )
    app.add_middleware(Guard, hosts=bench.access.settings.names)
    _describe(app)
    return app


def _describe(app: FastAPI) -> None:
    """Let the OpenAPI document say what this API answers where a request is faulty or not let in.

    A faulty one: 400, a problem.
    """
    plain = app.openapi

    def described() -> dict[str, Any]:
        # Made when it is first asked for: it takes a good part of a second.
        fresh = app.openapi_schema is None
        document = plain()
        if fresh:
            _amend(document)
        return document

    app.openapi = described  # type: ignore[method-assign] # as FastAPI's manual has it


def _amend(document: dict[str, Any]) -> None:
    describe_parameters(document)
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            answers = operation["responses"]
            for code, told in responses(401, 403).items():
                if path not in _NO_SESSION and not (code == _FORBIDDEN and method == "get"):
                    answers.setdefault(str(code), told)
            if "HTTPValidationError" in str(answers.get("422")):
                del answers["422"]
                answers |= {str(code): told for code, told in responses(400).items()}
    for unused in ("HTTPValidationError", "ValidationError"):
        document["components"]["schemas"].pop(unused, None)
