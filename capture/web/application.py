"""The HTTP API of a bench, put together."""

from typing import Any

from fastapi import FastAPI

from capture import __version__
from capture.web import evidence, jobs, live, machines, pages, problems, procedures, readings
from capture.web.bench import Bench
from capture.web.guard import Guard
from capture.web.problems import responses

_DESCRIPTION = """\
Jobs at the motor-repair bench: machines, procedures, guided steps, keyed and captured readings,
results. Everything written is an entry in the bench's journal. Errors are problem documents
(RFC 9457).

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
    problems.install(app)
    for router in (
        machines.make_router(bench),
        procedures.make_router(),
        jobs.make_router(bench),
        readings.make_router(bench),
        evidence.make_router(bench),
        live.make_router(bench),
    ):
        app.include_router(router)

    app.include_router(pages.make_router(bench))
    app.mount("/static", pages.static_files(), "static")

    @app.get("/health", tags=["live"])
    def health() -> dict[str, Any]:
        """Tell whether the journal can be read."""
        with bench.reader() as reader:
            return {"status": "ok", "last": reader.last_n()}

    app.add_middleware(Guard)
    _describe(app)
    return app


def _describe(app: FastAPI) -> None:
    """Let the OpenAPI document say what this API answers to a faulty request: 400, a problem."""
    document = app.openapi()
    for operations in document["paths"].values():
        for operation in operations.values():
            answers = operation["responses"]
            if "HTTPValidationError" in str(answers.get("422")):
                del answers["422"]
                answers |= {str(code): told for code, told in responses(400).items()}
    for unused in ("HTTPValidationError", "ValidationError"):
        document["components"]["schemas"].pop(unused, None)
