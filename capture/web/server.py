"""The HTTP server, in a thread of the daemon."""

import asyncio
import contextlib
import socket
import threading
from collections.abc import Callable

import structlog
import uvicorn
from fastapi import FastAPI

from capture.errors import ConfigError
from capture.web.changes import Changes
from capture.web.guard import LOCAL
from capture.web.headers import SecurityHeaders
from capture.web.protocol import PatientProtocol
from capture.web.tls import Tls

_GRACE = 2  # seconds that requests get to end in
_BACKLOG = 64
_TICK = 1.0  # seconds between two looks at what is due: the date in answers
_LOOK_S = 30  # between two looks at the certificate


class WebServer:
    """Serves one application. Start it, stop it."""

    def __init__(
        self,
        app: FastAPI,
        changes: Changes,
        host: str,
        port: int,
        tls: Tls | None = None,
        on_stop: Callable[[], None] = lambda: None,
    ) -> None:
        """Take the address; port 0 is any that is free. ``on_stop`` is called at the end."""
        self._on_stop = on_stop
        self._tls = tls
        self._changes = changes
        self._socket: socket.socket | None = None
        self.host = host
        self.port = port
        self._server = _Server(
            uvicorn.Config(
                # Browsers apply this to every port of a name, so never on the name localhost.
                SecurityHeaders(app, strict_transport=tls is not None and host not in LOCAL),
                log_config=None,
                access_log=False,
                lifespan="off",
                server_header=False,
                proxy_headers=False,  # nobody may say for somebody else where they come from
                ws="none",
                http=PatientProtocol,
                callback_notify=self._renew,
                timeout_notify=_LOOK_S,
                timeout_graceful_shutdown=_GRACE,
                limit_concurrency=256,
                h11_max_incomplete_event_size=16_384,
            )
        )
        self._thread = threading.Thread(target=self._run, name="web")
        self._log = structlog.get_logger()

    @property
    def url(self) -> str:
        """Where it is to be found."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        scheme = "http" if self._tls is None else "https"
        return f"{scheme}://{host}:{self.port}"

    def listen(self) -> None:
        """Take the port; from here on, requests wait.

        Raises:
            ConfigError: it cannot be listened on.
        """
        self._socket = _listen(self.host, self.port)
        self.port = int(self._socket.getsockname()[1])

    def start(self) -> None:
        """Start serving."""
        assert self._socket is not None, "listen first"
        self._thread.start()
        self._log.info("web.started", url=self.url)

    def stop(self, timeout: float) -> bool:
        """End all streams and requests; True where the thread has ended in time."""
        self._changes.close()
        self._server.end()
        if self._thread.ident is None:
            self._close()
        else:
            self._thread.join(timeout)
        self._on_stop()
        return not self._thread.is_alive()

    async def _renew(self) -> None:
        if self._tls is not None:
            await asyncio.to_thread(self._tls.renew)

    def _run(self) -> None:
        assert self._socket is not None
        try:
            if self._tls is not None:
                self._server.config.load()
                self._server.config.ssl = self._tls.context
            self._server.run(sockets=[self._socket])
        except Exception:  # noqa: BLE001 - capture goes on without its pages
            self._log.exception("web.failed")
        finally:
            self._close()

    def _close(self) -> None:
        if self._socket is not None:
            self._socket.close()


class _Server(uvicorn.Server):
    """Looks up once a second, and at once where it is to end; uvicorn's own, ten times a second."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ending = asyncio.Event()

    async def main_loop(self) -> None:
        """Do what is due once a second, until it is to end."""
        self._loop = asyncio.get_running_loop()
        # Every tenth look of uvicorn's, which number 0 stands for, does what is due in a second.
        while not await self.on_tick(0):
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._ending.wait(), _TICK)

    def end(self) -> None:
        """Have it end; from any thread, whether it has begun or not."""
        self.should_exit = True
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # it has ended already
                self._loop.call_soon_threadsafe(self._ending.set)


def _listen(host: str, port: int) -> socket.socket:
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
        family, _, _, _, address = found[0]
        # With the protocol told, asyncio sends without delay; else each answer waits 40 ms for an
        # acknowledgement of its head.
        listening = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    except OSError as error:
        raise ConfigError([f"web.host: {host} cannot be used: {error}"]) from error
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        listening.listen(_BACKLOG)
    except OSError as error:
        listening.close()
        reason = error.strerror or str(error)
        fault = f"web.port: {host} port {port} cannot be listened on: {reason}; give another one"
        raise ConfigError([fault]) from error
    return listening
