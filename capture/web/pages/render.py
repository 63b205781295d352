"""From a template and what it is told to a page."""

from functools import cache
from typing import Any
from urllib.parse import urlencode

import jinja2
from fastapi import Request
from fastapi.responses import HTMLResponse

from capture.records.ahead import import_ahead
from capture.web.bench import Bench
from capture.web.door import SESSION
from capture.web.words import FILTERS

#: Forms of exports that pages offer, and what they call them.
EXPORTS = (("xlsx", "workbook"), ("csv", "CSV"), ("parquet", "Parquet"), ("jsonl", "JSON lines"))


def address(path: str, **members: Any) -> str:
    """Give the address of a page, with what is asked of it; what is empty is left out."""
    given = {name: value for name, value in members.items() if value}
    return f"{path}?{urlencode(given)}" if given else path


@cache
def _templates() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("capture.web"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters.update(FILTERS)
    return environment


class Renderer:
    """Draws the pages of one bench."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench

    def page(
        self, request: Request, name: str, title: str, here: str, last: int | None, **more: Any
    ) -> HTMLResponse:
        """Draw a page; ``last`` is the newest entry of the journal that it knows, if any."""
        import_ahead()
        session = request.scope[SESSION]
        text = (
            _templates()
            .get_template(name)
            .render(
                title=title,
                here=here,
                last=last,
                site=self._bench.config.site,
                bench=self._bench.config.bench,
                insecure=self._bench.insecure,
                operator="" if session is None else session.operator,
                **more,
            )
        )
        return HTMLResponse(text)
