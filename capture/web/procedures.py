"""Procedures over HTTP."""

from typing import Any

from fastapi import APIRouter

from capture.errors import ConfigError, NotThereError
from capture.jobs.procedure import Procedure, known_procedures, load_procedure
from capture.model.fields import Slug
from capture.web.problems import responses


def make_router() -> APIRouter:
    """Make the routes of procedures."""
    router = APIRouter(prefix="/api/procedures", tags=["procedures"])

    @router.get("")
    def list_procedures() -> list[dict[str, Any]]:
        """List the procedures: built in, and on the search path; a faulty one with its faults."""
        return listed_procedures()

    @router.get("/{name}", responses=responses(400, 404))
    def get_procedure(name: Slug) -> Procedure:
        """Give a procedure with all that it includes."""
        return procedure_named(name)

    return router


def procedure_named(name: str) -> Procedure:
    """Give a procedure by its name, never by a path.

    Raises:
        NotThereError: there is none of this name.
        ConfigError: it is faulty.
    """
    known = known_procedures()
    if name not in known:
        raise NotThereError(f"there is no procedure {name!r}; there are {', '.join(known)}")
    return load_procedure(name)


def listed_procedures() -> list[dict[str, Any]]:
    """List the procedures; a faulty one has ``faults``, the others a title and a count of steps."""
    found: list[dict[str, Any]] = []
    for name in known_procedures():
        try:
            procedure = load_procedure(name)
        except ConfigError as error:
            found.append({"name": name, "faults": error.faults})
        else:
            steps = len(procedure.steps)
            found.append({"name": name, "title": procedure.title, "steps": steps})
    return found
