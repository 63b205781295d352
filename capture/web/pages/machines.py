"""Machines as pages."""

import threading
from collections import OrderedDict
from datetime import datetime
from typing import Any
from uuid import UUID

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from capture.errors import NotThereError
from capture.jobs.compare import compare
from capture.jobs.desk import Desk
from capture.jobs.owed import owed
from capture.jobs.trends import Trends, machine_trends
from capture.jobs.view import summary
from capture.model.fields import MachineId
from capture.records.compared import comparison_table
from capture.records.drawing import draw
from capture.records.moving import table_of, title_of, trend_plots
from capture.records.texts import catalogue
from capture.web.bench import Bench
from capture.web.pages.render import EXPORTS, Renderer

_JOBS_IN_FULL = 5  # of a machine, with their values and what they say
_MOST_CHOICES = 300  # jobs to compare with
_ITS_OWN = ("serial", "label")  # of a nameplate: what no sister shares
_MOST_PAGES = 16  # whose trends are held for the pictures that they ask for


class _TrendsOfPages:
    """Trends as pages have shown them: a page's pictures are drawn from the same, computed once."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._held: OrderedDict[tuple[str, int], Trends] = OrderedDict()

    def of(self, desk: Desk, machine: str, n: int) -> Trends:
        """Give a machine's trends as of the journal's entry ``n``, or a little later.

        Raises:
            NotThereError: there is no such machine.
        """
        with self._lock:
            found = self._held.get((machine, n))
        if found is not None:
            return found
        found = machine_trends(desk, machine)
        with self._lock:
            self._held[machine, n] = found
            while len(self._held) > _MOST_PAGES:
                self._held.popitem(last=False)
        return found


def make_router(bench: Bench, render: Renderer) -> APIRouter:
    """Make the routes of these pages."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    shown = _TrendsOfPages()

    @router.get("/machines")
    def machines_page(request: Request, like: MachineId | None = None) -> HTMLResponse:
        """Show all machines, and the registering of another one, which may be ``like`` one."""
        with bench.desk() as desk:
            last = desk.reader.last_n()
            machines = [each.model_dump(mode="json") for each in desk.service.machines()]
        return render.page(
            request,
            "machines.html",
            "Machines",
            "/machines",
            last,
            machines=machines,
            like=like,
            held=_sister(machines, like),
        )

    @router.get("/machines/{machine:path}")
    def machine_page(request: Request, machine: str) -> HTMLResponse:
        """Show one machine: what is known of it, its jobs, its history."""
        with bench.desk() as desk:
            last = desk.reader.last_n()
            found = desk.service.machine(machine).model_dump(mode="json")
            history = [e.model_dump(mode="json") for e in desk.service.machine_history(machine)]
            jobs = _jobs_of(desk, machine, bench.clock.utc())
            choices = _choices(desk, machine) if jobs else []
            trends = _written(shown.of(desk, machine, last))
        return render.page(
            request,
            "machine.html",
            machine,
            "/machines",
            last,
            machine=found,
            history=history[::-1],
            jobs=jobs,
            choices=choices,
            trends=trends,
            exports=EXPORTS,
        )

    @router.get("/trends/{name}.svg", response_class=Response)
    def chart(name: str, machine: MachineId, n: int | None = None) -> Response:
        """Draw one chart of a machine's trends: those of the page that was drawn as of ``n``."""
        with bench.desk() as desk:
            last = desk.reader.last_n()
            found = shown.of(desk, machine, last if n is None else min(n, last)).trends
        text = catalogue("en")
        plot = next((each for each in trend_plots(found, text) if each.name == name), None)
        if plot is None:
            raise NotThereError(f"there is no chart {name!r} of this machine now")
        return Response(draw(plot, text), media_type="image/svg+xml")

    @router.get("/compare")
    def compare_page(request: Request, first: UUID, second: UUID) -> HTMLResponse:
        """Show two jobs beside each other."""
        with bench.desk() as desk:
            last = desk.reader.last_n()
            found = compare(desk, first, second, bench.clock.utc())
        text = catalogue("en")
        return render.page(
            request,
            "compare.html",
            "Two jobs",
            "/machines",
            last,
            found=found.model_dump(mode="json"),
            table=comparison_table(found, text),
            note=text("compare_note"),
        )

    return router


def _sister(machines: list[dict[str, Any]], like: str | None) -> dict[str, Any]:
    """Give what a sister's nameplate has in common with that of ``like``: all but what is its own.

    Raises:
        NotThereError: there is no such machine.
    """
    if like is None:
        return {}
    for each in machines:
        if each["machine"] == like:
            plate = each["nameplate"].items()
            return {name: known for name, known in plate if name not in _ITS_OWN}
    raise NotThereError(f"machine {like!r} is not registered; register it first")


def _written(found: Trends) -> dict[str, Any]:
    text = catalogue("en")
    notes = [f"{title_of(each, text)}: {note}" for each in found.trends for note in each.notes]
    return {
        "table": table_of(found.trends, text),
        "charts": list(trend_plots(found.trends, text)),
        "note": text("trend_note"),
        "notes": [*found.left_out, *notes],
    }


def _choices(desk: Desk, machine: str) -> list[tuple[str, list[dict[str, Any]]]]:
    """List jobs to compare with, by machine: this one's first, then its sisters'."""
    groups: dict[str, list[dict[str, Any]]] = {machine: []}
    for _, state in desk.service.page(limit=_MOST_CHOICES):
        if state.voided is None:
            groups.setdefault(state.machine, []).append(summary(state))
    return list(groups.items())


def _jobs_of(desk: Desk, machine: str, now: datetime) -> list[dict[str, Any]]:
    jobs: list[dict[str, Any]] = []
    for state in desk.service.jobs_of(machine):
        left = owed(state, now) is not None
        job = {**summary(state), "owed": left, "sentence": "", "values": []}
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
