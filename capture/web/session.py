"""Logging in and out over HTTP, and asking who is in."""

from typing import Annotated

import anyio
import anyio.to_thread
from fastapi import APIRouter, Request, Response
from fastapi.concurrency import run_in_threadpool
from pydantic import BaseModel, Field
from starlette.responses import JSONResponse

from capture.access.gate import PROPOSED, TooSoonError, WrongSecretError, network_of
from capture.access.sessions import Session
from capture.model.described import Described
from capture.records.ahead import import_ahead
from capture.web.bench import Bench
from capture.web.bodies import Body
from capture.web.door import SESSION
from capture.web.problems import problem, responses
from capture.web.who import CurrentSession

#: Most log-ins that wait for their secret to be verified: in all, and from one address.
_MOST_WAITING = 8
_MOST_OF_ONE = 2


class LogIn(Body):
    """Who wants in."""

    operator: Annotated[str, Field(min_length=1, max_length=200)]
    """A role or a name."""
    secret: Annotated[str, Field(max_length=400)] | None = None
    """PIN or password; left out at a bench where no operator is registered."""


class WhoIsIn(Described, BaseModel):
    """Who is logged in."""

    operator: str
    """Role or name, as it stands in entries."""
    role: str
    """What the operator does at the bench; may be empty."""
    proven: bool
    """By a PIN or password; else by the name alone."""
    csrf: str
    """To be sent as ``Benchtally-CSRF`` with whatever writes."""
    insecure: bool
    """A network is served without TLS; every page says so."""


def make_router(bench: Bench) -> APIRouter:
    """Make the routes of sessions."""
    router = APIRouter(prefix="/api/session", tags=["session"])
    access = bench.access
    queue = _Queue()

    def told(session: Session) -> WhoIsIn:
        return WhoIsIn(
            operator=session.operator,
            role=session.role,
            proven=session.proven,
            csrf=session.csrf,
            insecure=bench.insecure,
        )

    @router.get("", responses=responses(401), response_model=WhoIsIn)
    def who_is_in(request: Request) -> WhoIsIn | JSONResponse:
        """Tell who is logged in; 401 where nobody is, with what a log-in takes."""
        session: Session | None = request.scope[SESSION]
        if session is not None:
            return told(session)
        needed = access.secret_needed
        return problem(
            401,
            "log-in",
            "nobody is logged in here; log in first",
            secret_needed=needed,
            proposed=None if needed else PROPOSED,
            insecure=bench.insecure,
        )

    @router.post(
        "", status_code=201, responses=responses(400, 401, 429, 503), response_model=WhoIsIn
    )
    async def log_in(body: LogIn, request: Request, answer: Response) -> WhoIsIn | JSONResponse:
        """Log in. The session is in a cookie; whatever session the browser had before is ended."""
        import_ahead()
        address = _address(request)
        try:
            attempt = access.admit(body.operator, address)
        except TooSoonError as error:
            return _later(error.wait, str(error))
        if not queue.enter(network_of(address)):
            return _later(2, "too many log in at the same time; try again")
        try:
            # One at a time, in a thread: a flood of log-ins holds up log-ins, and nothing else.
            session = await anyio.to_thread.run_sync(
                access.log_in, attempt, body.secret, limiter=queue.limiter
            )
        except WrongSecretError as error:
            return problem(401, "log-in", str(error))
        finally:
            queue.leave(network_of(address))
        before: Session | None = request.scope[SESSION]
        if before is not None:
            await run_in_threadpool(access.log_out, before, address)
        answer.set_cookie(
            bench.cookie,
            session.token,
            max_age=round(access.settings.session_longest_hours * 3600),
            path="/",
            secure=bench.tls,
            httponly=True,
            samesite="strict",
        )
        return told(session)

    @router.delete("", status_code=204, responses=responses(401, 403))
    def log_out(session: CurrentSession, request: Request, answer: Response) -> None:
        """Log out; streams of the session end."""
        access.log_out(session, _address(request))
        bench.changes.tell()
        answer.delete_cookie(
            bench.cookie, path="/", secure=bench.tls, httponly=True, samesite="strict"
        )

    return router


class _Queue:
    """Bounds how many wait for their secret to be verified."""

    def __init__(self) -> None:
        self._waiting: dict[str, int] = {}
        self._limiter: anyio.CapacityLimiter | None = None

    @property
    def limiter(self) -> anyio.CapacityLimiter:
        if self._limiter is None:  # belongs to the loop that serves
            self._limiter = anyio.CapacityLimiter(1)
        return self._limiter

    def enter(self, network: str) -> bool:
        mine = self._waiting.get(network, 0)
        if mine >= _MOST_OF_ONE or sum(self._waiting.values()) >= _MOST_WAITING:
            return False
        self._waiting[network] = mine + 1
        return True

    def leave(self, network: str) -> None:
        self._waiting[network] -= 1
        if not self._waiting[network]:
            del self._waiting[network]


def _address(request: Request) -> str:
    return "unknown" if request.client is None else request.client.host


def _later(seconds: int, detail: str) -> JSONResponse:
    answer = problem(429, "too-soon", detail, wait=seconds)
    answer.headers["Retry-After"] = str(seconds)
    return answer
