"""Trends of machines, and jobs beside each other, over HTTP."""

from uuid import UUID

from fastapi import APIRouter

from capture.jobs.compare import compare
from capture.jobs.trends import trends_document
from capture.model.comparison import Comparison
from capture.model.fields import MachineId
from capture.model.trend import MachineTrends
from capture.web.bench import Bench
from capture.web.problems import responses


def make_router(bench: Bench) -> APIRouter:
    """Make the routes."""
    router = APIRouter(prefix="/api", tags=["trends"])

    # A machine's name may hold a slash.
    @router.get("/trends/{machine:path}", responses=responses(400, 404))
    def get_trends(machine: MachineId, until: UUID | None = None) -> MachineTrends:
        """Give how the values of a machine have moved over its jobs, up to one of them."""
        with bench.desk() as desk:
            return trends_document(desk, machine, bench.clock.utc(), until=until)

    @router.get("/comparison", responses=responses(400, 404))
    def get_comparison(first: UUID, second: UUID) -> Comparison:
        """Put two jobs beside each other, value by value."""
        with bench.desk() as desk:
            return compare(desk, first, second, bench.clock.utc())

    return router
