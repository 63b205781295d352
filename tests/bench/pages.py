"""How soon a tablet shows what was taken, and what the job page weighs.

    python -P tests/bench/pages.py [--steps 40]

A real daemon, a simulated resistance meter, Debian's Chromium. For each step the leads are put on,
the reading is taken by itself, and the page notes when the step's row says so. Both clocks are the
host's: the entry that takes the reading carries its own time. Then the job page is loaded anew, with
an empty cache and with a full one. At last the readings page is asked for over a journal with many
rows, without a browser.
"""

import argparse
import os
import statistics
import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "system"))

from many_steps import PAIRS, percentile, port_of, set_up
from playwright.sync_api import sync_playwright
from rig import Rig
from tablet import Tablet

from capture.journal import Store
from capture.model import ReadingDraft, Streamed, new_id

_WATCH = """
window.shown = [];
new MutationObserver(() => {
  const count = document.querySelectorAll(".steps .mark-good").length;
  if (count > window.shown.length) window.shown.push(Date.now() / 1000);
}).observe(document.getElementById("main"), { childList: true, subtree: true });
"""


def main():
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--steps", type=int, default=40)
    parser.add_argument("--rows", type=int, default=1_000_000)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rig = Rig(Path(folder))
        try:
            measure(rig, arguments.steps)
        finally:
            rig.close()
    if arguments.rows:
        with tempfile.TemporaryDirectory() as folder:
            rig = Rig(Path(folder))
            try:
                many_rows(rig, arguments.rows)
            finally:
                rig.close()


def measure(rig, steps):
    """Run one job of so many steps in front of a browser."""
    _daemon, meter, port = set_up(rig, steps, 20)
    tablet = rig.own(Tablet(port))
    tablet.register("fan-07", rated_volts=400)
    tablet.start("fan-07", "many")
    flags = ["--disable-gpu", "--disable-background-networking"]
    if os.geteuid() == 0:
        flags.append("--no-sandbox")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=flags)
        page = browser.new_context(base_url=f"http://127.0.0.1:{port}").new_page()
        page.goto(f"/login?next=/jobs/{tablet.job}")
        page.get_by_role("button", name="Go on").click()
        page.locator("#connection.mark-good").wait_for()
        page.evaluate(_WATCH)
        for n in range(steps):
            tablet.wait_watch("the leads are off")
            meter.hand(f"pair {PAIRS[n % 3]}")
            page.locator(".steps .mark-good").nth(n).wait_for()
            meter.hand("lift")
        shown = page.evaluate("window.shown")
        weigh(browser, port, tablet.job)
        browser.close()
    taken = [step["taken_at"] for step in tablet.look()["steps"]]
    delays = [
        at - datetime.fromisoformat(stamp).timestamp()
        for at, stamp in zip(shown, taken, strict=True)
    ]
    p95 = percentile(delays, 0.95)
    print(
        f"taken -> shown on the tablet, {steps} steps: median {1000 * statistics.median(delays):.0f}"
        f" ms, p95 {1000 * p95:.0f} ms, worst {1000 * max(delays):.0f} ms"
    )


def weigh(browser, port, job):
    """Print weight and load time of the job page."""
    context = browser.new_context(base_url=f"http://127.0.0.1:{port}", service_workers="block")
    page = context.new_page()
    page.goto(f"/login?next=/jobs/{job}")
    page.get_by_role("button", name="Go on").click()
    page.locator("#connection.mark-good").wait_for()
    fresh = context.new_page()
    for words in ("first", "again"):
        session = context.new_cdp_session(fresh)
        session.send("Network.enable")
        if words == "first":
            session.send("Network.clearBrowserCache")
        fresh.goto(f"/jobs/{job}", wait_until="load")
        entries = fresh.evaluate(
            "[...performance.getEntriesByType('navigation'), ...performance.getEntriesByType("
            "'resource')].filter(e => e.initiatorType !== 'other').map(e => [e.name, "
            "e.transferSize, e.decodedBodySize])"
        )
        timing = fresh.evaluate(
            "(() => { const e = performance.getEntriesByType('navigation')[0];"
            " return [e.domContentLoadedEventEnd, e.loadEventEnd]; })()"
        )
        sent = sum(each[1] for each in entries)
        print(
            f"job page, {words}: {len(entries)} files, {sent / 1024:.0f} KiB sent, content ready "
            f"after {timing[0]:.0f} ms, loaded after {timing[1]:.0f} ms"
        )
    context.close()


def many_rows(rig, rows):
    """Print how long the pages of a long journal take."""
    store = Store(rig.journal)
    source = Streamed(driver="bench", driver_version="1", link="memory")
    now = datetime.now().astimezone()
    batch = 20_000
    for first in range(0, rows, batch):
        drafts = [
            ReadingDraft(
                id=new_id(),
                site="sawmill",
                bench="bench-1",
                instrument=f"meter-{n % 5}",
                time=now,
                quantity="resistance" if n % 3 else "inductance",
                unit="Ohm" if n % 3 else "H",
                value=float(n),
                digits=str(n),
                shown_unit="Ohm" if n % 3 else "H",
                status="ok",
                source=source,
            )
            for n in range(first, min(first + batch, rows))
        ]
        store.append(drafts)
    store.close()
    rig.configure(rig.mosquitto().port, more="[web]\nport = 0\n")
    port = port_of(rig.daemon())
    tablet = rig.own(Tablet(port))
    queries = (
        "/readings",
        "/readings?instrument=meter-3",
        "/readings?quantity=inductance",
        "/readings?instrument=meter-3&quantity=inductance",
        "/readings?instrument=nobody",
        "/readings?machine=nothing",
        f"/readings?before={rows // 2}",
        "/",
    )
    print(f"{rows} readings in the journal")
    for query in queries:
        times = []
        for _ in range(7):
            began = time.perf_counter()
            answer = tablet.client.get(query)
            times.append(time.perf_counter() - began)
            assert answer.status_code == 200, answer.text
        print(f"  {query:<50}{1000 * statistics.median(times):7.0f} ms")


if __name__ == "__main__":
    main()
