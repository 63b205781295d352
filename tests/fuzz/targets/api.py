"""The HTTP API and the pages, the application itself, without a network: any request at all.

No failure of the server, no exception; what is refused is refused by a problem document; every
answer carries the security headers; markup in a request never comes back as markup.
"""

import asyncio
import json
import shutil
import tempfile
import warnings
from pathlib import Path

from choices import Choices

from capture.access.gate import Access
from capture.access.secret import Hasher
from capture.clock import ManualClock
from capture.config import Config, WebConfig
from capture.jobs.watcher import Watch
from capture.journal import Writer
from capture.model import new_id
from capture.operation import Facts
from capture.web.application import make_app
from capture.web.bench import Bench
from capture.web.changes import Changes
from capture.web.headers import SecurityHeaders

MUTATIONS = 250
MARKUP = b"<x9z"
_RUNS = 400  # with one bench; then it begins anew, so that its journal stays small
_LONGEST = 15.0  # seconds for one answer
_PORT = 8080
_DEEPEST = 12
_PLATE = {"rated_volts": 400, "connection": "star", "winding": "random", "thermal_class": 155}
#: Never asked: an endless stream, and what starts a process to read a display.
_LEFT_OUT = ("/api/events", "/api/photos", "/api/labels")
warnings.simplefilter("ignore")


class _Served:
    """A bench with a machine and a job, and the application that serves it."""

    def __init__(self):
        memory = Path("/dev/shm")
        self.folder = Path(
            tempfile.mkdtemp(prefix="fuzz-api-", dir=memory if memory.is_dir() else None)
        )
        self.clock, self.runs = ManualClock(), 0
        config = Config(site="sawmill", bench="bench-1", web=WebConfig(port=_PORT),
                        journal={"path": "b.journal"})  # fmt: skip
        config._folder = self.folder
        changes = Changes()
        self.writer = Writer(config.journal_path, self.clock, changes.tell)
        self.writer.start()
        access = Access(config, self.clock, self.writer.append, Hasher(passes=1, kibibytes=8))
        self.bench = Bench(
            config=config, clock=self.clock, append=self.writer.append, changes=changes,
            instruments=lambda: [{"instrument": "ohm-1", "state": "running", "reason": ""}],
            watch=Watch, access=access, facts=Facts,
        )  # fmt: skip
        self.app = make_app(self.bench)
        self.whole = SecurityHeaders(self.app)  # as the server wraps it
        self.runner = asyncio.Runner()
        self.access = access
        self.words = {}
        self.log_in()
        self._fill()

    def log_in(self):
        """Begin a session, as after a log-out."""
        session = self.access._sessions.begin(
            "technician", self.clock.utc(), "127.0.0.1", proven=self.access.secret_needed
        )
        self.cookie, self.csrf = f"{self.bench.cookie}={session.token}", session.csrf

    def _fill(self):
        job = str(new_id())
        self._post("/api/machines", machine="fan-07", nameplate=_PLATE)
        state = self._post("/api/jobs", job=job, machine="fan-07", procedure="after-rewind",
                           conditions={"rotor": "out"})  # fmt: skip
        self.words = {"{job}": job, "{job_id}": job, "{machine}": "fan-07", "{procedure}": "after-rewind",
                      "{step}": state["steps"][0]["id"], "{name}": "after-rewind",
                      "{instrument}": "ohm-1"}  # fmt: skip

    def _post(self, path, **body):
        body = json.dumps({"id": str(new_id()), **body}).encode()
        status, _, text = self.ask("POST", path, b"", [], body)
        assert status == 201, text
        return json.loads(text)

    def ask(self, method, path, query, headers, body, *, inside=True):
        """Give status, headers and body of the answer to one request."""
        self.runs += 1
        sent = {b"host": f"127.0.0.1:{_PORT}".encode(), b"content-type": b"application/json"}
        if inside:
            sent |= {b"cookie": self.cookie.encode(), b"benchtally-csrf": self.csrf.encode()}
        sent |= dict(headers)
        sent[b"content-length"] = str(len(body)).encode()
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method,
            "scheme": "http", "path": path, "raw_path": path.encode("utf-8", "surrogateescape"),
            "query_string": query, "root_path": "", "headers": list(sent.items()),
            "client": ("127.0.0.1", 50000), "server": ("127.0.0.1", _PORT), "state": {},
        }  # fmt: skip
        incoming = [{"type": "http.request", "body": body, "more_body": False}]
        outgoing = []

        async def receive():
            return incoming.pop() if incoming else {"type": "http.disconnect"}

        async def send(message):
            outgoing.append(message)

        async def whole():
            await asyncio.wait_for(self.whole(scope, receive, send), _LONGEST)

        self.runner.run(whole())
        start = next(each for each in outgoing if each["type"] == "http.response.start")
        text = b"".join(each.get("body", b"") for each in outgoing)
        return start["status"], dict(start["headers"]), text

    def close(self):
        """End all that was begun."""
        self.runner.close()
        self.bench.close()
        assert self.writer.stop(10)
        shutil.rmtree(self.folder)


_held = []


def _served():
    if _held and _held[0].runs > _RUNS:
        close()
    if not _held:
        _held.append(_Served())
    return _held[0]


def close():
    """Stop the bench that is being served."""
    while _held:
        _held.pop().close()


def seeds():
    """Give a request to every operation, with a body that its schema allows."""
    document = _served().app.openapi()
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            content = operation.get("requestBody", {}).get("content", {})
            schema = content.get("application/json", {}).get("schema")
            body = b"" if schema is None else json.dumps(_example(schema, document)).encode()
            named = [each for each in operation.get("parameters", ()) if each["in"] == "query"]
            query = "&".join(
                f"{each['name']}={_example(each['schema'], document)}" for each in named
            )
            asked = f"{method.upper()} {path}?{query}".encode()
            yield b"\0" + asked + b"\n\n" + body
            yield b"\1" + asked + b"\n\n" + body
            yield b"\0" + asked.replace(b"{", b"<x9z") + b"\naccept: text/html\n\n" + body
    for route in _served().app.routes:
        if "GET" in (getattr(route, "methods", None) or ()) and not route.path.startswith("/api"):
            yield b"\0GET " + route.path.encode() + b"?q=<x9z>\n\n"
    yield b"\0GET /static/../../etc/passwd\n\n"
    yield b"\0POST /api/session\ncontent-type: text/plain\n\n<x9z"
    close()


def target(data):
    """Ask once, and look at the answer."""
    choices = Choices(data)
    inside = choices.byte() & 1 == 0
    head, _, body = choices.rest().partition(b"\n\n")
    first, *lines = head.split(b"\n")
    method, _, where = first.partition(b" ")
    path, _, query = where.partition(b"?")
    served = _served()
    # A server gives a path as text; what is no UTF-8 in it, it replaces.
    path = _filled(path, served.words).encode("utf-8", "surrogateescape").decode("utf-8", "replace")
    body = _filled(body, served.words).encode("utf-8", "surrogateescape")
    if path.startswith(_LEFT_OUT):
        return
    method = method.decode("ascii", "replace")
    if method not in ("GET", "POST", "PUT", "PATCH", "DELETE", "HEAD", "OPTIONS"):
        method = "GET"
    # What is no visible ASCII in an address never comes past the server's own parser.
    query = bytes(byte for byte in query if 0x20 < byte < 0x7F)
    headers = [tuple(line.lower().split(b": ", 1)) for line in lines if b": " in line]
    status, answered, text = served.ask(
        method, "/" + path.lstrip("/"), query, headers, body, inside=inside
    )
    kind = answered.get(b"content-type", b"")
    assert 200 <= status < 500, (status, text[:300])
    assert answered[b"x-content-type-options"] == b"nosniff"
    assert b"default-src 'none'" in answered[b"content-security-policy"]
    if status >= 400 and path.startswith("/api/") and text:
        assert kind == b"application/problem+json", (status, kind)
        told = json.loads(text)
        assert told["status"] == status
    if kind.startswith(b"text/html"):
        assert MARKUP not in text
    if inside and method == "DELETE":
        served.log_in()  # else all that follows would meet a closed door
    if kind.startswith(b"application/json") and status != 204:
        json.loads(text)


def _filled(text, words):
    text = text.decode("utf-8", "surrogateescape")
    for word, value in words.items():
        text = text.replace(word, value)
    return text.replace("{new}", "0198f000-0000-7000-8000-000000000001")


def _example(schema, document, depth=0):
    """Give the least that a schema allows."""
    if depth > _DEEPEST:
        return None
    for word in ("anyOf", "oneOf", "allOf"):
        if word in schema:
            return _example(schema[word][0], document, depth + 1)
    if "$ref" in schema:
        found = document
        for part in schema["$ref"].split("/")[1:]:
            found = found[part]
        return _example(found, document, depth + 1)
    given = [schema[word] for word in ("const", "default") if word in schema]
    given += schema.get("enum", [])
    return given[0] if given else _plain(schema, document, depth + 1)


def _plain(schema, document, depth):
    match schema.get("type"):
        case "object":
            members = schema.get("properties", {})
            return {name: _example(members[name], document, depth) for name in members}
        case "array":
            return [_example(schema.get("items", {}), document, depth)]
        case "integer" | "number":
            return schema.get("minimum", 1)
        case "boolean":
            return False
    formats = {"uuid": "{new}", "date-time": "2026-01-05T08:00:00Z"}
    return formats.get(schema.get("format"), "fan-07")
