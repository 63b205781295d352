"""A problem as a page, for a person who followed an old link or mistyped an address."""

import json

from fastapi import Request, Response
from fastapi.responses import JSONResponse

from capture.web.door import SESSION
from capture.web.pages.render import Renderer
from capture.web.problems import Dress


def make_dress(render: Renderer) -> Dress:
    """Make what turns problems into pages where a person with a browser asked for a page."""

    def dress(request: Request, answer: JSONResponse) -> Response:
        """Give a page for a person, and the problem document itself for a program."""
        wants = "text/html" in request.headers.get("accept", "")
        if request.method != "GET" or not wants or request.scope.get(SESSION) is None:
            return answer
        if request.url.path.startswith("/api/"):
            return answer
        told = json.loads(bytes(answer.body))
        page = render.page(request, "problem.html", told["title"], "", None, detail=told["detail"])
        page.status_code = answer.status_code
        return page

    return dress
