"""The live bench as a page."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from capture.jobs.state import JobStatus
from capture.jobs.view import summary
from capture.web.bench import Bench
from capture.web.pages.instruments import instruments_of
from capture.web.pages.render import Renderer


def make_router(bench: Bench, render: Renderer) -> APIRouter:
    """Make the routes of these pages."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get("/")
    def bench_page(request: Request) -> HTMLResponse:
        """Show the live bench."""
        with bench.desk() as desk:
            last = desk.reader.last_n()
            instruments = instruments_of(bench, desk)
            running = [s for s in desk.service.jobs() if s.status is JobStatus.RUNNING]
        current = summary(max(running, key=lambda each: each.last)) if running else None
        return render.page(
            request,
            "bench.html",
            "Bench",
            "/",
            last,
            instruments=instruments,
            current=current,
            watch=bench.watch_now(),
        )

    return router
