"""Readings as pages."""

from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from capture.errors import InputError
from capture.model import Quantity
from capture.web.bench import Bench
from capture.web.pages.render import EXPORTS, Renderer, address

_PAGE = 100  # readings on one page
_EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)


def make_router(bench: Bench, render: Renderer) -> APIRouter:
    """Make the routes of these pages."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get("/readings")
    def readings_page(
        request: Request,
        instrument: str = "",
        quantity: str = "",
        machine: str = "",
        until: str = "",
        before: Annotated[int | None, Query(ge=1, lt=1 << 62)] = None,
    ) -> HTMLResponse:
        """Show readings, newest first, filtered, page by page."""
        asked: dict[str, Any] = {
            "instrument": instrument or None,
            "quantity": quantity or None,
            "machine": machine or None,
        }
        with bench.desk() as desk:
            last = desk.reader.last_n()
            edge = before
            if edge is None and until:
                edge = desk.reader.first_after(_utc(until))
            page_of = desk.reader.page(**asked, before=edge, limit=_PAGE)
            names = sorted({each["instrument"] for each in desk.reader.last_readings()})
            machines = sorted(each.machine for each in desk.service.machines())
        older = None
        if len(page_of) == _PAGE:
            older = address("/readings", **asked, until=until, before=page_of[-1][0])
        return render.page(
            request,
            "readings.html",
            "Readings",
            "/readings",
            last,
            readings=[reading for _, reading in page_of],
            asked={**asked, "until": until, "before": before},
            instruments=names,
            quantities=[str(each) for each in Quantity],
            machines=machines,
            older=older,
            newest=address("/readings", **asked),
            exports=[
                (address(f"/api/export/readings.{form}", **asked, until=until), words)
                for form, words in EXPORTS
            ],
        )

    return router


def _utc(text: str) -> datetime:
    try:
        # Ids tell no moment before 1970, and nothing was read then.
        return max(datetime.fromisoformat(text).replace(tzinfo=UTC), _EARLIEST)
    except ValueError as error:
        raise InputError(f"until: {text[:40]!r} is no date and time as 2026-01-05T08:00") from error
