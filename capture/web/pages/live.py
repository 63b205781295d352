"""The live bench as a page."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from capture.jobs.owed import owed
from capture.jobs.state import JobStatus
from capture.jobs.view import summary
from capture.web.bench import Bench
from capture.web.pages.instruments import instruments_of
from capture.web.pages.render import Renderer
from capture.web.pages.upkeep import upkeep


def make_router(bench: Bench, render: Renderer) -> APIRouter:
    """Make the routes of these pages."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get("/")
    def bench_page(request: Request) -> HTMLResponse:
        """Show the live bench."""
        with bench.desk() as desk:
            last = desk.reader.last_n()
            instruments = instruments_of(bench, desk)
            under_way = desk.service.under_way()
            running = [s for s in under_way if s.status is JobStatus.RUNNING]
            job = max(running, key=lambda each: each.worked, default=None)
            # Of what is signed or void only that machine's is looked for which is worked on.
            beside = [] if job is None else desk.service.beside(job)
        now = bench.clock.utc()
        owing = {each.job: each for each in (*under_way, *beside) if owed(each, now) is not None}
        return render.page(
            request,
            "bench.html",
            "Bench",
            "/",
            last,
            instruments=instruments,
            current=None if job is None else summary(job),
            asked=job.current.step.title if job and job.current else "all steps are done",
            owing=list(owing.values()),
            current_flows=job is not None and bool(job.ramp_down),
            watch=bench.watch_now(),
            upkeep=upkeep(bench.facts()),
        )

    return router
