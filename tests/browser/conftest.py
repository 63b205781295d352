"""Real Chromium on real pages of a real daemon with simulated instruments."""

import contextlib
import os
import sys
from pathlib import Path

import pytest
from playwright.sync_api import expect, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "system"))  # harness, rig, tablet

import harness
from job_bench import Bench
from rig import Rig

LONG_MS = round(harness.LONG * 1000)
expect.set_options(timeout=LONG_MS)

CHROMIUM = "/usr/bin/chromium"
_FLAGS = (
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=user-gesture-required",
)


@pytest.fixture
def rig(tmp_path):
    """A bench of its own; afterwards nothing runs any more, and nothing printed a traceback."""
    made = Rig(tmp_path, quick=True)
    yield made
    made.close()
    found = made.tracebacks()
    assert not found, found[0].read_text("utf-8", "replace")


@pytest.fixture
def bench(rig):
    """A bench with four instruments, and a registered machine."""
    made = Bench(rig, rig.mosquitto())
    made.start()
    return made


@pytest.fixture(scope="module")
def standing_bench(tmp_path_factory):
    """A bench that is started once for tests that change nothing of it."""
    rig = Rig(tmp_path_factory.mktemp("standing"), quick=True)
    made = Bench(rig, rig.mosquitto())
    try:
        made.start()
        yield made
    finally:
        rig.close()
    found = rig.tracebacks()
    assert not found, found[0].read_text("utf-8", "replace")


@pytest.fixture(scope="session")
def chromium():
    """Debian's Chromium."""
    assert Path(CHROMIUM).exists(), "these tests need Chromium; `make test` installs Debian's"
    flags = [*_FLAGS, "--no-sandbox"] if os.geteuid() == 0 else list(_FLAGS)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=flags)
        yield browser
        browser.close()


class Person:
    """Somebody with a browser of their own; whatever the pages complain of is kept."""

    def __init__(self, chromium, base, **more):
        self.base = base
        self.complaints = []
        self.context = chromium.new_context(base_url=base, **more)
        self.context.set_default_timeout(LONG_MS)
        self.page = self.open()

    def open(self):
        page = self.context.new_page()
        page.on("console", self._heard)
        page.on("pageerror", lambda error: self.complaints.append(f"error: {error}"))
        return page

    def _heard(self, message):
        if (
            message.type == "error"
            and "ERR_" not in message.text
            and "status of 4" not in message.text
        ):
            self.complaints.append(message.text)

    def log_in(self, operator="technician", page="/"):
        self.page.goto(f"/login?next={page}")
        self.page.get_by_label("Role or name").fill(operator)
        self.page.get_by_role("button", name="Go on").click()
        self.page.wait_for_url(f"{self.base}{page}")
        self.connected()

    def connected(self):
        self.page.locator("#connection", has_text="connected").and_(
            self.page.locator(".mark-good")
        ).wait_for()

    def close(self):
        self.context.close()


@contextlib.contextmanager
def people(chromium, bench):
    """Make people with browsers; none of their pages may have complained at the end."""
    made = []

    def make(operator="technician", page="/", **more):
        made.append(Person(chromium, f"http://127.0.0.1:{bench.port()}", **more))
        made[-1].log_in(operator, page)
        return made[-1]

    yield make
    for each in made:
        each.close()
    assert not [complaint for each in made for complaint in each.complaints]


@pytest.fixture
def person(chromium, bench):
    """Make people with browsers, at the bench of this test."""
    with people(chromium, bench) as make:
        yield make


@pytest.fixture
def visitor(chromium, standing_bench):
    """Make people with browsers who change nothing of the bench they are at."""
    with people(chromium, standing_bench) as make:
        yield make
