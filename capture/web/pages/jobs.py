"""Jobs as pages."""

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse

from capture.access.roles import may
from capture.errors import NotThereError
from capture.web.bench import Bench
from capture.web.charts import charts_of, draw
from capture.web.door import SESSION
from capture.web.pages.instruments import away_for, instruments_of
from capture.web.pages.remarks import uncomputed
from capture.web.pages.render import Renderer, address
from capture.web.procedures import listed_procedures

_PAGE = 100  # jobs on one page


def make_router(bench: Bench, render: Renderer) -> APIRouter:
    """Make the routes of these pages."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get("/jobs")
    def jobs_page(
        request: Request,
        machine: str = "",
        before: Annotated[int | None, Query(ge=1, lt=1 << 62)] = None,
    ) -> HTMLResponse:
        """Show jobs, the one that was worked on last first, page by page; start another one."""
        with bench.desk() as desk:
            last = desk.reader.last_n()
            jobs, more = desk.list_page(before=before, limit=_PAGE)
            machines = desk.service.machines()
        return render.page(
            request,
            "jobs.html",
            "Jobs",
            "/jobs",
            last,
            jobs=jobs,
            before=before,
            newest=address("/jobs", machine=machine),
            older=None if more is None else address("/jobs", machine=machine, before=more),
            machines=machines,
            chosen=machine,
            procedures=listed_procedures(),
        )

    @router.get("/jobs/{job}")
    def job_page(request: Request, job: UUID) -> HTMLResponse:
        """Show one job: what is asked for now, what the numbers say, all steps."""
        with bench.desk() as desk:
            last = desk.reader.last_n()
            view = desk.view(desk.service.state(job))
            versions = len(desk.reader.of_subject("record", str(job)))
            instruments = instruments_of(bench, desk)
        now = next((each for each in view["steps"] if each["id"] == view["current"]), None)
        watch = bench.watch_now()
        roles = bench.config.jobs.void_roles
        return render.page(
            request,
            "job.html",
            f"{view['machine']}: {view['title']}",
            "/jobs",
            last,
            view=view,
            now=now,
            pending=[each for each in view["steps"] if each["after"]],
            watch=watch,
            away=away_for(now, watch, instruments),
            known=sorted({*bench.config.equipment, *bench.config.instruments}),
            charts=charts_of(view),
            uncomputed=uncomputed(view),
            versions=versions,
            may_void=may(roles, request.scope[SESSION].role),
            void_roles=roles,
        )

    @router.get("/jobs/{job}/charts/{name}.svg", response_class=Response)
    def chart(job: UUID, name: str) -> Response:
        """Draw one chart of a job."""
        with bench.desk() as desk:
            view = desk.view(desk.service.state(job))
        found = next((each for each in charts_of(view) if each.name == name), None)
        if found is None:
            raise NotThereError(f"there is no chart {name!r} of this job now")
        headers = {"Cache-Control": "private, max-age=3600"}
        return Response(draw(found), media_type="image/svg+xml", headers=headers)

    return router
