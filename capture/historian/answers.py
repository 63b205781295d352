"""``/metrics`` and ``/health`` of a worker, for programs on this computer.

One thread, one request at a time, at 127.0.0.1 and nowhere else. Nothing of a request is read but
its first line and its headers, and whoever says nothing for a while is hung up on: a program that
asks can at most keep another one from asking. The worker itself waits for none of it.
"""

import json
import socketserver
import threading
from collections.abc import Callable, Iterable
from typing import Any
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer

from prometheus_client import CollectorRegistry
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest

from capture.historian.vitals import Vitals

HOST = "127.0.0.1"
_LOCAL_NAMES = frozenset({HOST, "localhost"})
# A proxy on this computer makes everybody look local; these are what it says of them.
_FORWARDED = ("HTTP_FORWARDED", "HTTP_X_FORWARDED_FOR", "HTTP_X_REAL_IP")
_SILENCE = 5.0  # seconds without a byte
_ENDING = 2.0

_TEXT, _JSON = "text/plain; charset=utf-8", "application/json"
_OK, _FAILING = "200 OK", "503 Service Unavailable"

Environment = dict[str, Any]
Start = Callable[[str, list[tuple[str, str]]], Any]
Application = Callable[[Environment, Start], Iterable[bytes]]


def make_application(vitals: Vitals, registry: CollectorRegistry) -> Application:
    """Make what answers; a WSGI application (PEP 3333)."""

    def metrics() -> tuple[str, str, bytes]:
        text = generate_latest(registry)  # type: ignore[no-untyped-call] # the library's
        return _OK, CONTENT_TYPE_LATEST, text

    def health() -> tuple[str, str, bytes]:
        found = vitals.health()
        body = json.dumps({"status": found.status, "reasons": list(found.reasons)}).encode()
        return (_FAILING if found.status == "failing" else _OK), _JSON, body

    answers = {"/metrics": metrics, "/health": health}

    def application(environment: Environment, start: Start) -> Iterable[bytes]:
        more = []
        make = answers.get(environment.get("PATH_INFO", ""))
        if not _is_local(environment) or make is None:
            status, kind, body = "404 Not Found", _TEXT, b"/metrics and /health, from here only\n"
        elif environment["REQUEST_METHOD"] not in ("GET", "HEAD"):
            status, kind, body = "405 Method Not Allowed", _TEXT, b"GET only\n"
            more = [("Allow", "GET, HEAD")]
        else:
            status, kind, body = make()
        start(
            status,
            [
                ("Content-Type", kind),
                ("Content-Length", str(len(body))),
                ("Cache-Control", "no-store"),
                ("X-Content-Type-Options", "nosniff"),
                *more,
            ],
        )
        return [] if environment["REQUEST_METHOD"] == "HEAD" else [body]

    return application


class Answers:
    """Serves an application from a thread until it is closed."""

    def __init__(self, port: int, application: Application) -> None:
        """Listen; 0 is any port that is free.

        Raises:
            OSError: the port is taken, or may not be used.
        """
        self._server = _Server((HOST, port), _Handler)
        self._server.set_app(application)
        self.port = int(self._server.server_address[1])
        self._thread = threading.Thread(
            target=self._server.serve_forever, name="historian-answers", daemon=True
        )
        self._thread.start()

    def close(self) -> None:
        """Listen no more. Whoever is being answered is waited for a moment, not for ever."""
        ending = threading.Thread(target=self._server.shutdown, daemon=True)
        ending.start()
        ending.join(_ENDING)
        self._server.server_close()


def _is_local(environment: Environment) -> bool:
    """Whether a program asks that knows where it asks: no proxy, and no page under another name."""
    name = str(environment.get("HTTP_HOST", "")).rpartition(":")[0] or environment.get("HTTP_HOST")
    return name in _LOCAL_NAMES and not any(each in environment for each in _FORWARDED)


class _Server(WSGIServer):
    def server_bind(self) -> None:
        """Bind without asking anybody for this computer's name, as the library would."""
        socketserver.TCPServer.server_bind(self)
        self.server_name, self.server_port = HOST, int(self.server_address[1])
        self.setup_environ()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing: whoever asked has hung up, or sent what is no request."""


class _Handler(WSGIRequestHandler):
    timeout = _SILENCE
    server_version = "benchtally"
    sys_version = ""

    def log_message(self, *_said: Any) -> None:
        """Log nothing: a line for every time somebody asks hides the others."""
