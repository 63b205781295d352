"""Draws the pictures of docs/bench-guide.md: ``python -P tests/bench/screenshots.py docs/pictures``.

A bench with simulated instruments, a real daemon and mosquitto, and a person who works through a whole job
in Debian's Chromium; nothing is painted. The simulated winding has no charge, so the wait for its discharge
is passed, as a person at a real one must not.
"""

import argparse
import io
import os
import re
import sys
import tempfile
from pathlib import Path

from PIL import Image, ImageChops
from playwright.sync_api import expect, sync_playwright

_TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(_TESTS / "system"), str(_TESTS / "browser")]

from job_bench import PAIRS, SIX, Bench  # noqa: E402 - it lies in a folder of its own
from rig import Rig  # noqa: E402 - same

CHROMIUM = "/usr/bin/chromium"
#: A tablet held upright; what is below its edge is not drawn.
SIZE = {"width": 820, "height": 1040}
#: Colours of a picture: pages have few, and a palette halves the file.
COLOURS = 48


class Album:
    """Takes pictures of one page, and writes them small."""

    def __init__(self, page, folder):
        self.page = page
        self.folder = folder

    def take(self, name, at=None):
        """Draw the page as it is; with `at`, from that part on."""
        if at is None:
            self.page.evaluate("scrollTo(0, 0)")
        else:
            self.page.locator(at).first.evaluate("part => scrollTo(0, part.offsetTop - 12)")
        drawn = Image.open(io.BytesIO(self.page.screenshot(animations="disabled"))).convert("RGB")
        blank = Image.new("RGB", drawn.size, drawn.getpixel((0, drawn.height - 1)))
        bottom = ImageChops.difference(drawn, blank).getbbox()[3]  # below it nothing is drawn
        drawn = drawn.crop((0, 0, drawn.width, min(drawn.height, bottom + 24)))
        small = drawn.quantize(COLOURS, Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
        path = self.folder / f"{name}.png"
        small.save(path, optimize=True)
        print(f"{path}  {path.stat().st_size / 1024:.0f} KiB")


def work(bench, page, album):
    """Do a whole job by the pages."""
    page.goto("/login?next=/")
    page.get_by_label("Role or name").fill("technician")
    album.take("log-in")
    page.get_by_role("button", name="Go on").click()
    connected(page)
    expect(page.locator("main")).to_contain_text("ohm-meter")
    album.take("bench")
    register(page, album)
    page.get_by_label("Procedure").select_option("after-rewind")
    page.get_by_text("Conditions").click()
    page.get_by_label("Rotor", exact=True).select_option("out")
    page.get_by_label("Winding temperature, °C").fill("22")
    album.take("start-a-job", "main form")
    page.get_by_role("button", name="Start the job").click()
    page.wait_for_url("**/jobs/0*")
    connected(page)
    bench.tablet.job = page.url.rpartition("/")[2]
    album.take("cautions")
    measure_all(bench, page, album)
    insulation(bench, page, album)
    pulses(page, album)
    expect(page.locator("figure")).to_have_count(4)
    page.reload()  # so that it has seen all of the job: who acts on an older state is asked to look again
    connected(page)
    draw_figures(page)
    album.take("results", ".sentence")
    page.get_by_role("button", name="Finish the job").click()
    expect(page.get_by_label("Statement")).to_have_count(1)
    page.get_by_label("Statement").fill("one coil is to be looked at")
    draw_figures(page)
    album.take("sign-off", ".now")
    page.get_by_role("button", name="Sign off").click()
    expect(page.locator("#now-h")).to_have_text("Signed off")


def register(page, album):
    page.goto("/machines")
    page.get_by_label("Name, as on its label").fill("fan-07")
    page.get_by_label("Rated voltage, V").fill("400")
    page.get_by_label("Rated power, W").fill("15000")
    page.get_by_label("Year").fill("2004")
    page.get_by_label("Connection", exact=True).select_option("star")
    album.take("register-a-machine")
    page.get_by_role("button", name="Register").click()
    page.wait_for_url("**/machines/fan-07")
    page.get_by_role("link", name="Start a job").click()


def measure_all(bench, page, album):
    for pair in PAIRS:
        measure(bench, page, bench.ohm, "Resistance", pair, album if pair == "U-V" else None)
    for pair in PAIRS:
        measure(bench, page, bench.lcr, "Inductance", pair)


def measure(bench, page, instrument, quantity, pair, album=None):
    expect(page.locator("#now-h")).to_have_text(f"{quantity} {pair}")
    expect(page.locator(".watch .what")).to_contain_text("the leads are off")
    if album:
        album.take("step", ".now")
    instrument.hand(f"pair {pair}")
    row = page.locator(".steps > li", has_text=f"{quantity} {pair}")
    expect(row).to_contain_text("taken by itself, once settled")
    if quantity == "Resistance":
        zero = page.get_by_role("button", name="The current is zero")
        expect(zero).to_have_count(1)
        if album:
            album.take("current-to-zero")
        zero.click()
        expect(zero).to_have_count(0)
    instrument.hand("lift")


def insulation(bench, page, album):
    expect(page.locator(".set")).to_contain_text("500 V direct, for 400 V rated")
    album.take("insulation")
    bench.insulation.hand("press")
    expect(page.locator(".lock").first).to_contain_text("Keep the winding earthed")
    bench.insulation.hand("lift")
    expect(page.locator(".count").first).to_have_text(re.compile(r"4 min 5\d s still to wait"))
    album.take("discharge")
    page.get_by_text("Go on without it, on your own responsibility").click()
    page.locator("#why-override-discharge").fill("simulated winding, no charge")
    page.get_by_role("button", name="Pass the lock").click()


def pulses(page, album):
    page.get_by_label("What its number is").select_option("period")
    page.get_by_label("Unit as shown").select_option("µs")
    for at, value in enumerate(("112600 µs", *SIX[1:])):
        page.locator(f"#value-{at + 1}").fill(value.removesuffix(" µs"))
    page.get_by_role("button", name="Take these values").click()
    expect(page.locator(".doubts")).to_contain_text("Look at the display once more")
    album.take("keyed-values", "section.key")
    page.locator("#value-1").fill("112,6")
    page.get_by_role("button", name="Take these values").click()
    expect(page.locator("#now-h")).to_have_text("All steps are done")


def draw_figures(page):
    """Wait until all figures are drawn; they are fetched when they come into sight."""
    for drawn in page.locator("figure img").all():
        drawn.scroll_into_view_if_needed()
        drawn.evaluate("picture => picture.decode()")


def connected(page):
    page.locator("#connection", has_text="connected").and_(page.locator(".mark-good")).wait_for()


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="where the pictures are written")
    folder = parser.parse_args().folder
    folder.mkdir(parents=True, exist_ok=True)
    expect.set_options(timeout=12_000)
    with tempfile.TemporaryDirectory() as work_folder:
        rig = Rig(Path(work_folder))
        try:
            bench = Bench(rig, rig.mosquitto())
            bench.start()
            with sync_playwright() as play:
                flags = ["--no-sandbox"] if os.geteuid() == 0 else []
                browser = play.chromium.launch(executable_path=CHROMIUM, args=flags)
                page = browser.new_page(base_url=f"http://127.0.0.1:{bench.port()}", viewport=SIZE)
                work(bench, page, Album(page, folder))
                browser.close()
        finally:
            rig.close()


if __name__ == "__main__":
    main()
