"""Jobs over HTTP: starting them, acting in them, taking and keying their steps."""

from typing import Annotated, Any
from uuid import UUID

from fastapi import APIRouter, Query

from capture.access.roles import refuse_other_roles
from capture.access.sessions import Session
from capture.jobs.keyed import KeyedValues, TypedLoss, TypedValue
from capture.jobs.service import Who
from capture.model.job import Act, Noted, SignedOff, StepId
from capture.web.bench import Bench
from capture.web.bodies import JobWrite, Key, KeyedValue, NewAct, NewJob, Take, VoidJob
from capture.web.problems import responses
from capture.web.procedures import procedure_named
from capture.web.readings import from_photo, keying_of
from capture.web.who import CurrentSession, Operator

_WRITES = responses(400, 403, 404, 409, 423, 503)
_KEYING = {**_WRITES, **responses(422)}


def make_router(bench: Bench) -> APIRouter:
    """Make the routes of jobs."""
    router = APIRouter(prefix="/api/jobs", tags=["jobs"])
    _jobs(router, bench)
    _steps(router, bench)
    return router


def _jobs(router: APIRouter, bench: Bench) -> None:
    @router.get("", responses=responses(400))
    def list_jobs(
        before: Annotated[int | None, Query(ge=1, lt=1 << 62)] = None,
        limit: Annotated[int, Query(ge=1, le=500)] = 50,
    ) -> dict[str, Any]:
        """List jobs, the one that was worked on last first; ``next`` goes on."""
        with bench.desk() as desk:
            page, more = desk.list_page(before=before, limit=limit)
        return {"jobs": page, "next": more}

    @router.post("", status_code=201, responses=responses(400, 404, 409, 503))
    def start_job(body: NewJob, operator: Operator) -> dict[str, Any]:
        """Start a job on a registered machine; the same job handed in twice starts once.

        409 where the same procedure is open on the machine; ``job`` says in which job.
        """
        procedure = procedure_named(body.procedure)
        with bench.desk() as desk:
            who = Who(operator, body.id)
            state = desk.service.start(
                body.job, body.machine, procedure, who, body.conditions, beside=body.beside or False
            )
            return desk.view(state)

    @router.get("/{job}", responses=responses(400, 404))
    def get_job(job: UUID) -> dict[str, Any]:
        """Give a job: the plain sentence, its steps and what holds them, results with figures."""
        with bench.desk() as desk:
            return desk.view(desk.service.state(job))

    @router.post("/{job}/acts", status_code=201, responses=_WRITES)
    def act(job: UUID, body: NewAct, session: CurrentSession) -> dict[str, Any]:
        """Do something in a job that is neither its start nor the taking of a step."""
        return _acted(bench, job, body.event, body, session)

    @router.post("/{job}/void", status_code=201, responses=_WRITES)
    def void(job: UUID, body: VoidJob, session: CurrentSession) -> dict[str, Any]:
        """Say that a job counts for nothing; it stays readable, and this is not taken back.

        What its test voltages have left on a winding stays owed, and is confirmed in it.
        """
        return _acted(bench, job, Noted(text=body.reason, voids=True), body, session)


def _steps(router: APIRouter, bench: Bench) -> None:
    @router.post("/{job}/steps/{step}/take", status_code=201, responses=_WRITES)
    def take(job: UUID, step: StepId, body: Take, operator: Operator) -> dict[str, Any]:
        """Take stored readings for a step: those named, or the newest of its quantity."""
        with bench.desk() as desk:
            state = desk.take(
                job,
                step,
                body.readings,
                Who(operator, body.id),
                body.seen,
                conditions=body.conditions,
                applied_seconds=body.applied_seconds,
            )
            return desk.view(state)

    @router.post("/{job}/steps/{step}/key", status_code=201, responses=_KEYING)
    def key(job: UUID, step: StepId, body: Key, operator: Operator) -> dict[str, Any]:
        """Take keyed values for a step. What is odd is asked about (422): look, then confirm."""
        with bench.desk() as desk:
            quantity = desk.service.state(job).step(step).step.quantity
            keyed = KeyedValues(
                keying=keying_of(bench, body.display, operator, quantity, None),
                values=[_typed(bench, value) for value in body.values],
                shown_deviation=None
                if body.shown_deviation is None
                else _typed(bench, body.shown_deviation),
                confirmed=body.confirmed,
                loss_as=body.display.loss,
            )
            state = desk.key(
                job,
                step,
                keyed,
                Who(operator, body.id),
                body.seen,
                conditions=body.conditions,
                applied_seconds=body.applied_seconds,
            )
            return desk.view(state)


def _acted(bench: Bench, job: UUID, event: Act, body: JobWrite, session: Session) -> dict[str, Any]:
    """Write an act, and make the record that follows from it."""
    voids = isinstance(event, Noted) and event.voids
    if voids:
        refuse_other_roles(bench.config.jobs.void_roles, session.role, "void a job")
    with bench.desk() as desk:
        state = desk.act(job, event, Who(session.operator, body.id), body.seen)
        if voids or isinstance(event, SignedOff):
            bench.keeper(desk).make_or_say(job, session.operator)
        return desk.view(state)


def _typed(bench: Bench, value: KeyedValue) -> TypedValue:
    loss = value.loss
    return TypedValue(
        value.id,
        value.typed,
        value.elapsed,
        value.again,
        from_photo(bench, value),
        None if loss is None else TypedLoss(loss.id, loss.typed, loss.again),
    )
