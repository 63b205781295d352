"""A bench with a machine and a job, and the application that serves it, without a network."""

import asyncio
import hashlib
import io
import json
import shutil
import tempfile
from pathlib import Path

from PIL import Image

from capture.access.gate import Access
from capture.access.secret import Hasher
from capture.clock import ManualClock
from capture.config import Config, WebConfig
from capture.jobs.watcher import Watch
from capture.journal import Writer
from capture.model import new_id
from capture.model.photo import Crop, LabelCode, PhotoProposals
from capture.operation import Facts
from capture.photo.worker import PhotoReader
from capture.web.application import make_app
from capture.web.bench import Bench
from capture.web.changes import Changes
from capture.web.headers import SecurityHeaders

_RUNS = 400  # until it is looked whether the journal is still small; else the bench begins anew
_SMALL = 1 << 20  # bytes
_LONGEST = 15.0  # seconds for one answer
_PORT = 8080
_PLATE = {"rated_volts": 400, "connection": "star", "winding": "random", "thermal_class": 155}


class _Eyes(PhotoReader):
    """Reads photos without a process of its own: of a label what its bytes say, of a display nothing."""

    def read(self, data, expected, display, *, kept=False):
        return PhotoProposals(photo=hashlib.sha256(data).hexdigest(), width=1, height=1)

    def codes(self, data, *, kept=False):
        texts = "".join(c if c.isprintable() else "\n" for c in data.decode("utf-8", "replace"))
        where = Crop(left=0, top=0, width=1, height=1)
        return [
            LabelCode(text=text[:200], format="QR Code", crop=where)
            for text in texts.split("\n")
            if text
        ]


class Served:
    """One bench, and whoever asks it."""

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
            watch=Watch, access=access, facts=Facts, photos=_Eyes(),
        )  # fmt: skip
        self.app = make_app(self.bench)
        self.whole = SecurityHeaders(self.app)  # as the server wraps it
        self.runner = asyncio.Runner()
        self.access = access
        self.words = {}
        self.log_in()
        self._fill()

    def size(self):
        """Give the bytes of the journal and its log."""
        return sum((self.folder / name).stat().st_size for name in ("b.journal", "b.journal-wal"))

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
        photo = io.BytesIO()
        Image.new("RGB", (8, 8)).save(photo, "PNG")
        kept = self.bench.evidence.add(photo.getvalue())
        self.words = {"{photo}": kept.sha256, "{job}": job, "{job_id}": job, "{machine}": "fan-07", "{procedure}": "after-rewind",
                      "{step}": state["steps"][0]["id"], "{name}": "after-rewind",
                      "{instrument}": "ohm-1"}  # fmt: skip

    def _post(self, path, **body):
        body = json.dumps({"id": str(new_id()), **body}).encode()
        status, _, text = self.ask("POST", path, b"", [], body)
        assert status == 201, text
        return json.loads(text)

    def ask(self, method, path, query, headers, body, *, inside=True, until=None):
        """Give status, headers and body of the answer to one request.

        With ``until``, the client goes away once the body has what this looks for.
        """
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
        outgoing, enough = [], asyncio.Event()
        if until is None:
            enough.set()

        async def receive():
            if incoming:
                return incoming.pop()
            await enough.wait()
            return {"type": "http.disconnect"}

        async def send(message):
            outgoing.append(message)
            if until is not None and until(_body(outgoing)):
                enough.set()

        async def whole():
            await asyncio.wait_for(self.whole(scope, receive, send), _LONGEST)

        self.runner.run(whole())
        start = next(each for each in outgoing if each["type"] == "http.response.start")
        return start["status"], dict(start["headers"]), _body(outgoing)

    def close(self):
        """End all that was begun."""
        self.runner.close()
        self.bench.close()
        assert self.writer.stop(10)
        shutil.rmtree(self.folder)


def _body(messages):
    return b"".join(each.get("body", b"") for each in messages)


_held = []


def served():
    """Give the bench that is being served, a new one now and then."""
    if _held and _held[0].runs > _RUNS:
        _held[0].runs = 0
        if _held[0].size() > _SMALL:
            close()
    if not _held:
        _held.append(Served())
    return _held[0]


def close():
    """Stop the bench that is being served."""
    while _held:
        _held.pop().close()


def filled(text, words):
    """Put what the bench's own things are called into the places for it."""
    text = text.decode("utf-8", "surrogateescape")
    for word, value in words.items():
        text = text.replace(word, value)
    return text.replace("{new}", "0198f000-0000-7000-8000-000000000001")
