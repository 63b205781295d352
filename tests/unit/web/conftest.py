"""A bench served over HTTP: a real journal, a real port, a clock that moves when told."""

import io
from urllib.parse import quote

import httpx
import pytest
from PIL import Image

from capture.clock import ManualClock
from capture.config import Config, WebConfig
from capture.jobs.watcher import Watch
from capture.journal import Writer
from capture.model import new_id
from capture.web.application import make_app
from capture.web.bench import Bench
from capture.web.changes import Changes
from capture.web.server import WebServer

PLATE = {
    "rated_volts": 400,
    "rated_watts": 15000,
    "connection": "star",
    "winding": "random",
    "year": 2004,
    "thermal_class": 155,
}
SIX = ("112.6 µs", "112.4 µs", "121.7 µs", "121.9 µs", "112.9 µs", "112.8 µs")


class Served:
    """One bench and a client of it."""

    def __init__(self, folder):
        self.clock = ManualClock()
        self.config = Config(
            site="sawmill", bench="bench-1", web=WebConfig(port=0), journal={"path": "b.journal"}
        )
        self.config._folder = folder
        self.changes = Changes()
        self.seen = Watch()
        self.states = [{"instrument": "ohm-1", "state": "running", "reason": ""}]
        self.writer = Writer(self.config.journal_path, self.clock, self.changes.tell)
        self.writer.start()
        self.bench = Bench(
            config=self.config,
            clock=self.clock,
            append=self.writer.append,
            changes=self.changes,
            instruments=lambda: self.states,
            watch=lambda: self.seen,
        )
        self.server = WebServer(make_app(self.bench), self.changes, "127.0.0.1", 0)
        self.server.listen()
        self.server.start()
        self.client = self.as_("technician")

    def as_(self, operator):
        """Give a client for somebody."""
        headers = {"Benchtally-Operator": quote(operator)}
        return httpx.Client(base_url=self.server.url, headers=headers, timeout=20)

    def close(self):
        self.client.close()
        assert self.server.stop(10)
        assert self.writer.stop(10)

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
        self.register(machine)
        return self.post(
            "/api/jobs",
            job=str(new_id()),
            machine=machine,
            procedure=procedure,
            conditions={"rotor": "out", **conditions},
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
def photo():
    """A photo of a display: a JPEG with a position in it."""
    image = Image.effect_noise((320, 200), 40).convert("RGB")
    exif = image.getexif()
    exif[0x8825] = {1: "N", 2: (61.0, 30.0, 0.0)}
    exif[0x013B] = "somebody"
    out = io.BytesIO()
    image.save(out, "JPEG", exif=exif)
    return out.getvalue()
