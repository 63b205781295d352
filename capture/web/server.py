"""The HTTP server, in a thread of the daemon."""

import socket
import threading

import structlog
import uvicorn
from fastapi import FastAPI

from capture.errors import ConfigError
from capture.web.changes import Changes

_GRACE = 2  # seconds that requests get to end in
_BACKLOG = 64


class WebServer:
    """Serves one application. Start it, stop it."""

    def __init__(self, app: FastAPI, changes: Changes, host: str, port: int) -> None:
        """Take the address; port 0 is any that is free."""
        self._changes = changes
        self._socket: socket.socket | None = None
        self.host = host
        self.port = port
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                log_config=None,
                access_log=False,
                lifespan="off",
                server_header=False,
                proxy_headers=False,  # nobody may say for somebody else where they come from
                ws="none",
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
        return f"http://{host}:{self.port}"

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
        self._server.should_exit = True
        if self._thread.ident is None:
            self._close()
            return True
        self._thread.join(timeout)
        return not self._thread.is_alive()

    def _run(self) -> None:
        assert self._socket is not None
        try:
            self._server.run(sockets=[self._socket])
        except Exception:  # noqa: BLE001 - capture goes on without its pages
            self._log.exception("web.failed")
        finally:
            self._close()

    def _close(self) -> None:
        if self._socket is not None:
            self._socket.close()


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
