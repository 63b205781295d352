"""What every request must pass first: the name it was sent to, where it comes from, its size.

A page of a stranger in the technician's own browser can send requests to this host (DNS rebinding,
forged forms). The name in ``Host`` and ``Origin`` gives it away.
"""

import asyncio
import json
from collections.abc import Collection
from contextlib import suppress
from typing import Any
from urllib.parse import urlsplit

import anyio
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from capture.photo.store import MOST_BYTES

#: Names that a request may be sent to in any case.
LOCAL = frozenset({"localhost", "127.0.0.1", "::1"})
#: Most bytes of a request that brings no photo.
MOST_JSON = 256_000
#: Seconds in which a request must have come whole; a photo over a poor network takes its time.
WHOLE_S = 90.0
_OWN_PAGES = ("same-origin", "none")
_MOST_HEAD = 16_384  # bytes of all headers and the address together
_PHOTOS = "/api/evidence"


class _TooLargeError(Exception):
    pass


class _TooSlowError(Exception):
    pass


class Guard:
    """Refuses requests that are not meant for this host, or are too large."""

    def __init__(self, app: ASGIApp, hosts: Collection[str] = ()) -> None:
        self._app = app
        self._hosts = LOCAL | {host.lower() for host in hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        host = headers.get("host", "").strip().lower()
        if _name(host) not in self._hosts:
            known = "127.0.0.1 or localhost, or add the name to web.hosts"
            await _answer(send, 421, f"this host is not called that; use {known}")
            return
        origin = headers.get("origin")
        # Another port of this host is another site, too: whatever else may run there.
        if origin is not None and _netloc(origin) != host:
            await _answer(send, 403, "requests from pages of other sites are not taken")
            return
        if headers.get("sec-fetch-site", "none") not in _OWN_PAGES and not _follows_link(scope):
            await _answer(send, 403, "requests from pages of other sites are not taken")
            return
        head = sum(len(name) + len(value) for name, value in scope["headers"])
        if head + len(scope["raw_path"] or b"") + len(scope["query_string"]) > _MOST_HEAD:
            await _answer(send, 431, f"a head of more than {_MOST_HEAD} bytes is not taken")
            return
        most = MOST_BYTES if scope["path"] == _PHOTOS else MOST_JSON
        length = headers.get("content-length", "0")
        if not length.isascii() or not length.isdigit() or int(length[:18]) > most:
            await _answer(send, 413, f"more than {most} bytes are not taken")
            return
        await self._within(most, scope, receive, send)

    async def _within(self, most: int, scope: Scope, receive: Receive, send: Send) -> None:
        """Count what comes, because a length need not be given."""
        taken = 0
        started = whole = slow = False
        by = asyncio.get_running_loop().time() + WHOLE_S

        async def counted() -> Message:
            nonlocal taken, whole, slow
            if whole:
                return await receive()
            try:
                async with asyncio.timeout_at(by):
                    message = await receive()
            except TimeoutError as error:
                slow = True
                raise _TooSlowError from error
            whole = not message.get("more_body", False)
            taken += len(message.get("body", b""))
            if taken > most:
                raise _TooLargeError
            return message

        async def noted(message: Message) -> None:
            nonlocal started
            if (slow or taken > most) and not started:
                return  # whatever it says of a body cut short; ours is the better answer
            started = True
            await send(message)

        with suppress(_TooLargeError, _TooSlowError):
            try:
                await self._app(scope, counted, noted)
            except* anyio.BrokenResourceError:
                pass  # a stream's client has gone while something was on its way to it
        if slow and not started:
            await _answer(send, 408, f"the request was not whole after {WHOLE_S:.0f} s")
        elif taken > most and not started:
            await _answer(send, 413, f"more than {most} bytes are not taken")


def _follows_link(scope: Scope) -> bool:
    """Tell whether a person follows a link from elsewhere to a page: that shows, and does nothing.

    The browser brings no cookie along (SameSite=Strict), and the page is its own, in no frame.
    """
    headers = Headers(scope=scope)
    return (
        scope["method"] == "GET"
        and headers.get("sec-fetch-mode") == "navigate"
        and headers.get("sec-fetch-dest") == "document"
        and not scope["path"].lstrip("/").lower().startswith("api")
    )


def _netloc(origin: str) -> str:
    """Give host and port of an origin; empty for one that has none (``null``)."""
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return ""


def _name(host: str) -> str:
    """Give the name in a Host header without its port."""
    host = host.strip().lower()
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.rpartition(":")[0] if ":" in host else host


async def _answer(send: Send, status: int, error: str) -> None:
    problem = {
        "type": "urn:benchtally:problem:not-meant",
        "title": "Not taken",
        "status": status,
        "detail": error,
    }
    body = json.dumps(problem).encode()
    headers: list[tuple[bytes, bytes]] = [
        (b"content-type", b"application/problem+json"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),
    ]
    start: dict[str, Any] = {"type": "http.response.start", "status": status, "headers": headers}
    await send(start)
    await send({"type": "http.response.body", "body": body})
