"""The page that asks who is there. The only one that needs no session."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from capture.access.gate import PROPOSED
from capture.web.bench import Bench
from capture.web.door import LOGIN, next_page
from capture.web.pages.render import Renderer


def make_router(bench: Bench, render: Renderer) -> APIRouter:
    """Make the routes of these pages."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get(LOGIN)
    def login_page(request: Request, next: str = "/") -> HTMLResponse:  # noqa: A002 - as the address has it
        """Ask who is there. Names of operators are not told to whoever asks."""
        return render.page(
            request,
            "login.html",
            "Who are you?",
            LOGIN,
            0,
            next=next_page(next),
            secret=bench.access.secret_needed,
            proposed=PROPOSED,
        )

    return router
