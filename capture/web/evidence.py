"""Photos of displays over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Body, Response
from fastapi.concurrency import run_in_threadpool

from capture.driver.profile.display import Display
from capture.model import Evidence, TestPoint, unit_of
from capture.model.fields import Sha256
from capture.model.photo import PhotoProposals
from capture.photo.expect import Expectation
from capture.plugins import named_profile
from capture.web.bench import Bench
from capture.web.bodies import ReadDisplay
from capture.web.problems import responses
from capture.web.who import Operator


def make_router(bench: Bench) -> APIRouter:
    """Make the routes of photos."""
    router = APIRouter(prefix="/api/evidence", tags=["evidence"])

    @router.post("", status_code=201, responses=responses(400, 413, 503))
    async def add_photo(
        photo: Annotated[bytes, Body(media_type="application/octet-stream")], operator: Operator
    ) -> Evidence:
        """Keep a photo (JPEG, PNG, WebP): upright, encoded anew, without what a camera adds.

        The answer's digest is that of the photo as kept; keyed values name it.
        """
        del operator  # nobody hands in a photo unnamed; the reading that names it is signed
        return await run_in_threadpool(bench.evidence.add, photo)

    @router.get(
        "/{sha256}",
        responses={
            200: {"content": {"image/jpeg": {"schema": {"type": "string", "format": "binary"}}}},
            **responses(400, 404),
        },
        response_class=Response,
    )
    def get_photo(sha256: Sha256) -> Response:
        """Give a photo."""
        headers = {"Cache-Control": "private, max-age=31536000, immutable"}
        return Response(bench.evidence.get(sha256), media_type="image/jpeg", headers=headers)

    @router.post("/{sha256}/proposals", responses=responses(400, 404, 503))
    def read_display(sha256: Sha256, body: ReadDisplay, operator: Operator) -> PhotoProposals:
        """Propose values from a photo that was handed in. Nothing is stored.

        A person confirms or corrects each; keyed values then say so with ``from_photo``.
        """
        del operator
        points = tuple(str(TestPoint.parse(point)) for point in body.points)
        unit_of(body.quantity)
        photo = bench.evidence.get(sha256)
        display = Display()
        if body.profile is not None:
            display = named_profile(body.profile).display or display
        return bench.photos.read(photo, Expectation(body.quantity, points), display, kept=True)

    return router
