"""Machines over HTTP."""

from typing import Any

from fastapi import APIRouter

from capture.jobs.service import Who
from capture.model.fields import MachineId
from capture.web.bench import Bench
from capture.web.bodies import NewMachine
from capture.web.problems import responses
from capture.web.who import Operator


def make_router(bench: Bench) -> APIRouter:
    """Make the routes of machines."""
    router = APIRouter(prefix="/api/machines", tags=["machines"])

    @router.get("")
    def list_machines() -> list[dict[str, Any]]:
        """List every machine as it was last described, newest first."""
        with bench.desk() as desk:
            return [entry.model_dump(mode="json") for entry in desk.service.machines()]

    @router.post("", status_code=201, responses=responses(400, 503))
    def register_machine(body: NewMachine, operator: Operator) -> dict[str, Any]:
        """Register a machine, or say anew what is known of it; its history is kept."""
        with bench.desk() as desk:
            who = Who(operator, body.id)
            if body.new:
                desk.service.check_new(body.machine, who, body.earlier)
            entry = desk.service.register(body.machine, body.nameplate, who, body.note)
            return entry.model_dump(mode="json")

    # A machine's name may hold a slash.
    @router.get("/{machine:path}", responses=responses(400, 404))
    def get_machine(machine: MachineId) -> dict[str, Any]:
        """Give a machine: as it is described now, every earlier description, its jobs."""
        with bench.desk() as desk:
            entry = desk.service.machine(machine)
            history = desk.service.machine_history(machine)
            jobs = [
                {
                    "job": str(state.job),
                    "procedure": state.procedure.name,
                    "status": str(state.status),
                    "started": state.started,
                }
                for state in desk.service.jobs_of(machine)
            ]
            return {
                **entry.model_dump(mode="json"),
                "history": [each.model_dump(mode="json") for each in history],
                "jobs": jobs,
            }

    return router
