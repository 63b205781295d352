"""A display read off a photo, by a person with a browser: looked at, corrected, taken with one tap."""

import io

import pytest
import zxingcpp
from job_bench import PLATE, SIX
from PIL import Image
from playwright.sync_api import expect

from simulators.display_photos import photograph_of
from simulators.displays import Content, Truth

pytestmark = pytest.mark.takes(22)

PLACES = [(pair, way) for pair in ("U-V", "V-W", "W-U") for way in ("forward", "reverse")]


@pytest.fixture
def display(tmp_path):
    """A photo of a display that shows the six times."""
    values = tuple(
        Truth(pair, way, typed.removesuffix(" µs"), "µs")
        for (pair, way), typed in zip(PLACES, SIX, strict=True)
    )
    out = io.BytesIO()
    photograph_of(Content("font", "grid", "pulse_time", values), seed=3).image.save(out, "JPEG")
    path = tmp_path / "display.jpg"
    path.write_bytes(out.getvalue())
    return path


def test_six_times_are_read_off_a_photo_and_confirmed(bench, person, display):
    who = person()
    bench.tablet.register("fan-07", **PLATE)
    bench.tablet.start("fan-07", "pulse-six-readings", rotor="out")
    bench.tablet.act(
        "overridden", step="pulse", lock="insulation", reason="tested at incoming inspection"
    )
    page = who.page
    page.goto(f"/jobs/{bench.tablet.job}")
    who.connected()
    # What is typed already stays.
    page.locator("#value-6").fill("112,5 µs")
    page.get_by_label("Photo of the display").set_input_files(display)
    expect(page.locator("[data-photos]")).to_contain_text("5 values read")
    for place, typed in enumerate(SIX[:5], start=1):
        expect(page.locator(f"#value-{place}")).to_have_value(typed)
    expect(page.locator("#value-6")).to_have_value("112,5 µs")
    # The part of the photo stands beside each value that came from it, and is drawn.
    expect(page.locator(".seen:visible")).to_have_count(5)
    page.wait_for_function(
        "Array.from(document.querySelectorAll('.seen canvas')).every((each) => each.width > 20 "
        "&& each.getContext('2d').getImageData(0, 0, each.width, each.height).data.some((b) => b > 0))"
    )
    assert bench.tablet.step("pulse")["status"] == "open"  # nothing was stored
    page.reload()
    expect(page.locator(".seen:visible")).to_have_count(5)
    page.locator("#value-2").fill("112.3 µs")
    page.get_by_role("button", name="Take these values").click()
    bench.tablet.wait_taken("pulse")
    values = bench.tablet.step("pulse")["values"]
    sources = [bench.tablet.get(f"/api/readings/{each['reading']}")["source"] for each in values]
    assert [each["kind"] for each in sources] == [*["photo"] * 5, "keyed"]
    assert (sources[1]["proposed"], sources[1]["corrected"]) == (SIX[1], "112.3 µs")
    assert "corrected" not in sources[0]
    assert values[0]["photos"] == [sources[0]["photo"]]


def test_what_is_doubtful_is_taken_over_by_a_touch_only(bench, person, tmp_path):
    who = person()
    bench.tablet.register("fan-07", **PLATE)
    bench.tablet.start("fan-07", "three-pair-resistance", rotor="out")
    shown = Content("font", "single", "resistance", (Truth("", "", "842.17", "mΩ"),))
    out = io.BytesIO()
    photograph_of(shown, seed=5).image.save(out, "JPEG")
    path = tmp_path / "display.jpg"
    path.write_bytes(out.getvalue())
    page = who.page
    page.goto(f"/jobs/{bench.tablet.job}")
    who.connected()
    page.get_by_text("Key it instead").click()
    page.get_by_label("Photo of the display").set_input_files(path)
    expect(page.locator("[data-photos]")).to_contain_text("1 value read")
    # mΩ and MΩ look alike, nine decades apart.
    expect(page.locator(".seen .wrong")).to_contain_text("Look:")
    expect(page.locator("#value-1")).to_have_value("")
    page.get_by_role("button", name="It shows 842.17 mΩ").click()
    expect(page.locator("#value-1")).to_have_value("842.17 mΩ")


def test_a_label_is_photographed_and_its_machine_opened(bench, person, tmp_path):
    who = person()
    bench.tablet.register("fan-07", **PLATE)
    code = zxingcpp.create_barcode("FAN-07", zxingcpp.BarcodeFormat.QRCode)
    path = tmp_path / "label.png"
    Image.fromarray(zxingcpp.write_barcode_to_image(code, scale=8)).save(path)
    page = who.page
    page.goto("/machines")
    page.get_by_label("Photo of a label").set_input_files(path)
    page.wait_for_url("**/machines/fan-07")
    page.goto("/jobs")
    page.get_by_label("or a photo of its label").set_input_files(path)
    expect(page.locator("[data-label-said]")).to_have_text("fan-07")
    assert page.get_by_label("Machine", exact=True).input_value() == "fan-07"


def test_a_photo_of_something_else_can_be_left_out_with_what_was_read_off_it(
    bench, person, display
):
    who = person()
    bench.tablet.register("fan-07", **PLATE)
    bench.tablet.start("fan-07", "pulse-six-readings", rotor="out")
    bench.tablet.act("overridden", step="pulse", lock="insulation", reason="tested before")
    page = who.page
    page.goto(f"/jobs/{bench.tablet.job}")
    who.connected()
    page.locator("#value-6").fill("112,8 µs")
    leave = page.get_by_role("button", name="Leave out the photo")
    expect(leave).to_be_hidden()
    page.get_by_label("Photo of the display").set_input_files(display)
    expect(page.locator("[data-photos]")).to_contain_text("5 values read")
    leave.click()
    expect(leave).to_be_hidden()
    expect(page.locator(".seen:visible")).to_have_count(0)
    page.reload()  # not brought back with the draft
    expect(page.locator("#value-1")).to_have_value("")
    expect(page.locator("#value-6")).to_have_value("112,8 µs")  # this one a person typed
    for place, typed in enumerate(SIX[:5], start=1):
        page.locator(f"#value-{place}").fill(typed)
    page.get_by_role("button", name="Take these values").click()
    bench.tablet.wait_taken("pulse")
    values = bench.tablet.step("pulse")["values"]
    assert [(each["source"], each["photos"]) for each in values] == [("keyed", [])] * 6
