"""How the bench is, for whatever looks after it."""

from typing import Any

from fastapi import APIRouter, Response

from capture.errors import JournalError
from capture.operation import judge
from capture.web.bench import Bench

_FAILING = 503


def make_router(bench: Bench) -> APIRouter:
    """Make the route of the bench's health."""
    router = APIRouter(tags=["live"])

    @router.get("/health", responses={_FAILING: {"description": "Failing"}})
    def health(answer: Response) -> dict[str, Any]:
        """Tell how the bench is: ok or degraded (200), failing (503), and short reasons.

        Anybody may ask, so the reasons are fixed words and counts.
        """
        try:
            with bench.reader() as reader:
                reader.last_n()
            readable = True
        except JournalError:
            readable = False
        found = judge(bench.facts(), readable=readable)
        if found.status == "failing":
            answer.status_code = _FAILING
        answer.headers["Cache-Control"] = "no-store"
        return {"status": found.status, "reasons": list(found.reasons)}

    return router
