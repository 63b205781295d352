"""Help with setting up instruments, and the service worker."""

from importlib import resources

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from capture.discovery import Listing, report
from capture.plugins import DriverRegistry
from capture.web.bench import Bench
from capture.web.pages.instruments import instruments_of
from capture.web.pages.render import Renderer


def make_router(bench: Bench, render: Renderer) -> APIRouter:
    """Make the routes of these pages."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get("/setup")
    def setup_page(request: Request) -> HTMLResponse:
        """Show help with setting up an instrument."""
        with bench.desk() as desk:
            last = desk.reader.last_n()
            instruments = instruments_of(bench, desk)
        return render.page(
            request,
            "setup.html",
            "Instrument set-up",
            "/setup",
            last,
            instruments=instruments,
            ports=_ports(),
            drivers=[each.spec for each in DriverRegistry.load().drivers.values()],
            folder=str(bench.config.folder.absolute()),
        )

    @router.get("/sw.js", response_class=Response)
    def service_worker() -> Response:
        """Give the service worker, at the root because it serves every page."""
        text = resources.files("capture.web").joinpath("static/sw.js").read_text("utf-8")
        headers = {"Cache-Control": "no-cache"}
        return Response(text, media_type="text/javascript", headers=headers)

    return router


def _ports() -> list[dict[str, str]]:
    found = []
    for each in report(Listing()()):
        wrong = each.hint if not each.usable else ""
        if each.holder:
            wrong = f"in use by {each.holder}"
        found.append({"name": each.identity, "what": each.description, "wrong": wrong})
    return found
