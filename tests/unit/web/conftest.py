"""A bench served over HTTP: a real journal, a real port, a clock that moves when told."""

import functools
import io
import sys
from pathlib import Path

import httpx
import pytest
from PIL import Image

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
from capture.web.server import WebServer

sys.path.insert(0, str(Path(__file__).parent))  # helpers are shared by these tests

PLATE = {
    "rated_volts": 400,
    "rated_watts": 15000,
    "connection": "star",
    "winding": "random",
    "year": 2004,
    "thermal_class": 155,
}
SIX = ("112.6 µs", "112.4 µs", "121.7 µs", "121.9 µs", "112.9 µs", "112.8 µs")


@functools.cache
def _trusted():
    """Give what a client trusts where nothing else is said; reading it takes a fiftieth of a second."""
    return httpx.create_ssl_context()


class CountingHasher(Hasher):
    """A quick one that counts what it verifies."""

    verified = 0

    def verify(self, hashed, secret):
        self.verified += 1
        return super().verify(hashed, secret)


class Served:
    """One bench and a client of it."""

    def __init__(self, folder, tls=None, **web):
        self.clock = ManualClock()
        web = WebConfig(**{"port": 0, **web})
        self.config = Config(
            site="sawmill", bench="bench-1", web=web, journal={"path": "b.journal"}
        )
        self.config._folder = folder
        self._clients = []
        self.changes = Changes()
        self.seen = Watch()
        self.facts = Facts()
        self.states = [{"instrument": "ohm-1", "state": "running", "reason": ""}]
        self.writer = Writer(self.config.journal_path, self.clock, self.changes.tell)
        self.writer.start()
        self.hasher = CountingHasher(passes=1, kibibytes=8)
        self.access = Access(self.config, self.clock, self.writer.append, self.hasher)
        self.bench = Bench(
            config=self.config,
            clock=self.clock,
            append=self.writer.append,
            changes=self.changes,
            instruments=lambda: self.states,
            watch=lambda: self.seen,
            access=self.access,
            facts=lambda: self.facts,
        )
        self.app = make_app(self.bench)
        # An address of a network is played by this computer's own.
        listen = web.host if web.host.startswith("127.") else "127.0.0.1"
        self.server = WebServer(self.app, self.changes, listen, 0, tls, self.bench.close)
        self.server.listen()
        self.server.start()

    @functools.cached_property
    def client(self):
        """A client of a technician, logged in when it is first used."""
        return self.as_("technician")

    def nobody(self, **more):
        """Give a client that is not logged in."""
        more.setdefault("verify", _trusted())
        made = httpx.Client(base_url=self.server.url, timeout=20, **more)
        self._clients.append(made)
        return made

    def as_(self, operator, **more):
        """Give a client for somebody who is in: a session is begun without the log-in's entry."""
        session = self.access._sessions.begin(
            operator, self.clock.utc(), "127.0.0.1", proven=self.access.secret_needed
        )
        client = self.nobody(cookies={self.bench.cookie: session.token}, **more)
        client.headers["Benchtally-CSRF"] = session.csrf
        return client

    @staticmethod
    def log_in(client, operator="technician", secret=None):
        """Log in as a person does; give the answer."""
        answer = client.post("/api/session", json={"operator": operator, "secret": secret})
        if answer.status_code == 201:
            client.headers["Benchtally-CSRF"] = answer.json()["csrf"]
        return answer

    def add_operator(self, name, secret="271828", role=""):
        self.access.operators.add(name, role, self.hasher.hash(secret), self.clock.utc())

    def close(self):
        for client in self._clients:
            client.close()
        assert self.server.stop(10)
        assert self.writer.stop(10)
        # FastAPI remembers every function that answers, and through these the bench that they answer for.
        # The application must not hang on that: some hundred of them make each collection of garbage long.
        vars(self).clear()

    # ── shorthands ───────────────────────────────────────────────────────────────────────────

    def get(self, path, **query):
        answer = self.client.get(path, params=query)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, path, status=201, client=None, **body):
        body = {"id": str(new_id()), **body}
        answer = (client or self.client).post(path, json=body)
        assert answer.status_code == status, answer.text
        return answer.json()

    def register(self, machine="fan-07", **plate):
        return self.post("/api/machines", machine=machine, nameplate={**PLATE, **plate})

    def start(self, procedure="pulse-six-readings", machine="fan-07", **conditions):
        """Start a job; beside one that is open, knowingly."""
        self.register(machine)
        open_ = [
            each["job"]
            for each in self.get("/api/jobs")["jobs"]
            if (each["machine"], each["procedure"]) == (machine, procedure)
            and each["status"] in ("running", "paused")
        ]
        return self.post(
            "/api/jobs",
            job=str(new_id()),
            machine=machine,
            procedure=procedure,
            conditions={"rotor": "out", **conditions},
            beside=open_[0] if open_ else None,
        )

    def act(self, job, action, status=201, client=None, **members):
        path = f"/api/jobs/{job['job']}/acts"
        return self.post(
            path,
            status,
            client,
            seen=members.pop("seen", job["last"]),
            event={"action": action, **members},
        )

    def append(self, *entries):
        self.writer.append(entries)


@pytest.fixture
def served(tmp_path):
    """A bench served over HTTP."""
    made = Served(tmp_path)
    yield made
    made.close()


@pytest.fixture
def make_served(tmp_path):
    """Make a bench served over HTTP with settings of its section [web]."""
    made = []

    def make(**web):
        made.append(Served(tmp_path, **web))
        return made[-1]

    yield make
    for each in made:
        each.close()


@pytest.fixture
def photo():
    """A photo of a display: a JPEG with a position in it."""
    image = Image.effect_noise((320, 200), 40).convert("RGB")
    exif = image.getexif()
    exif[0x8825] = {1: "N", 2: (61.0, 30.0, 0.0)}
    exif[0x013B] = "somebody"
    out = io.BytesIO()
    image.save(out, "JPEG", exif=exif)
    return out.getvalue()
