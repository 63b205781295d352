"""Machines as pages."""

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from capture.jobs.desk import Desk
from capture.jobs.view import summary
from capture.web.bench import Bench
from capture.web.pages.render import Renderer

_JOBS_IN_FULL = 5  # of a machine, with their values and what they say


def make_router(bench: Bench, render: Renderer) -> APIRouter:
    """Make the routes of these pages."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get("/machines")
    def machines_page(request: Request) -> HTMLResponse:
        """Show all machines, and the registering of another one."""
        with bench.desk() as desk:
            last = desk.reader.last_n()
            machines = [each.model_dump(mode="json") for each in desk.service.machines()]
        return render.page(
            request, "machines.html", "Machines", "/machines", last, machines=machines
        )

    @router.get("/machines/{machine:path}")
    def machine_page(request: Request, machine: str) -> HTMLResponse:
        """Show one machine: what is known of it, its jobs, its history."""
        with bench.desk() as desk:
            last = desk.reader.last_n()
            found = desk.service.machine(machine).model_dump(mode="json")
            history = [e.model_dump(mode="json") for e in desk.service.machine_history(machine)]
            jobs = _jobs_of(desk, machine)
        return render.page(
            request,
            "machine.html",
            machine,
            "/machines",
            last,
            machine=found,
            history=history[::-1],
            jobs=jobs,
        )

    return router


def _jobs_of(desk: Desk, machine: str) -> list[dict[str, Any]]:
    jobs: list[dict[str, Any]] = []
    for state in desk.service.jobs_of(machine):
        job = {**summary(state), "sentence": "", "values": []}
        if len(jobs) < _JOBS_IN_FULL:
            view = desk.view(state)
            job["sentence"] = view["sentence"]
            job["values"] = [
                value
                for step in view["steps"]
                for value in step["values"]
                if value.get("quantity") == step["quantity"]
            ]
        jobs.append(job)
    return jobs
