"""The door: whatever is not expressly open needs a session, and what writes needs its mark too.

It is closed unless open: a path that nobody thought of, however it is spelt, is behind it.
"""

import hmac
from collections.abc import Collection, Mapping
from urllib.parse import quote

from fastapi.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.responses import RedirectResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from capture.access.gate import Access
from capture.access.sessions import Session
from capture.errors import AccessError
from capture.web.problems import of, problem

#: Where in an ASGI scope the session is.
SESSION = "benchtally.session"
#: Header that whatever writes must send, with what the session says as ``csrf``.
CSRF_HEADER = "benchtally-csrf"
#: Where somebody without a session is sent who asks for a page.
LOGIN = "/login"

_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_LOOK = frozenset({"GET", "HEAD"})
# The session's own path answers for itself: it is how one gets in.
_OPEN: Mapping[str, frozenset[str]] = {
    "/health": _LOOK,
    LOGIN: _LOOK,
    "/api/session": frozenset({"GET", "POST"}),
}
_OPEN_FILES = "/static/"


class Door:
    """Lets requests with a session through, and those to what is open to everybody."""

    def __init__(
        self, app: ASGIApp, access: Access, cookie: str, also_open: Collection[str] = ()
    ) -> None:
        """Take the paths that may be looked at by anybody besides those that always may."""
        self._also_open = frozenset(also_open)
        self._app = app
        self._access = access
        self._cookie = cookie

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        try:
            session = await self._session(scope)
        except AccessError as error:
            await of(error)(scope, receive, send)
            return
        scope[SESSION] = session
        if is_open(scope["path"], scope["method"], self._also_open):
            await self._app(scope, receive, send)
        elif session is None:
            await _refuse(scope, receive, send)
        elif not _is_ours(session, scope):
            detail = f"what writes needs the header {CSRF_HEADER} as GET /api/session gives it"
            await problem(403, "csrf", detail)(scope, receive, send)
        else:
            await self._app(scope, receive, send)

    async def _session(self, scope: Scope) -> Session | None:
        token = token_of(Headers(scope=scope), self._cookie)
        session = None if token is None else self._access.find(token)
        if session is not None and self._access.is_stale(session):
            await run_in_threadpool(self._access.touch, session)
        return session


def is_open(path: str, method: str, also_open: Collection[str] = ()) -> bool:
    """Tell whether anybody may ask for this."""
    if method in _OPEN.get(path, ()) or (path in also_open and method in _LOOK):
        return True
    parts = path.split("/")
    return path.startswith(_OPEN_FILES) and method in _LOOK and ".." not in parts


def token_of(headers: Headers, cookie: str) -> str | None:
    """Give the token in the cookies of a request.

    None where there are two of the name: another program of this host has set one of them, and
    which is ours cannot be told.
    """
    found = {
        value.strip()
        for line in headers.getlist("cookie")
        for name, _, value in (each.partition("=") for each in line.split(";"))
        if name.strip() == cookie
    }
    return found.pop() if len(found) == 1 else None


def next_page(wanted: str | None) -> str:
    """Give the page to go to after a log-in: the one wanted if it is one of ours, else the first.

    Whatever a browser could take for another host is none of ours; nor is what has a brace, where
    the form of the log-in would put in what was entered, the secret among it.
    """
    if (
        wanted is None
        or not wanted.startswith("/")
        or wanted.startswith("//")
        or "\\" in wanted
        or "{" in wanted
        or not wanted.isprintable()
        or len(wanted) > 500  # noqa: PLR2004 - longer than any address of ours
    ):
        return "/"
    return wanted


def _is_ours(session: Session, scope: Scope) -> bool:
    if scope["method"] in _SAFE:
        return True
    given = Headers(scope=scope).get(CSRF_HEADER, "")
    return hmac.compare_digest(given.encode("latin-1"), session.csrf.encode())


async def _refuse(scope: Scope, receive: Receive, send: Send) -> None:
    path: str = scope["path"]
    if path.lstrip("/").lower().startswith("api") or scope["method"] not in _LOOK:
        detail = "nobody is logged in here; log in first"
        await problem(401, "log-in", detail)(scope, receive, send)
        return
    wanted = path + ("?" + scope["query_string"].decode("latin-1") if scope["query_string"] else "")
    place = LOGIN if next_page(wanted) == "/" else f"{LOGIN}?next={quote(wanted, safe='/')}"
    await RedirectResponse(place, 303)(scope, receive, send)
