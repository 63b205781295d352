"""A photo of a display on the page of a job: shown, compared, confirmed or corrected, taken."""

import re

from job_bench import PLATE
from playwright.sync_api import expect

from simulators.display_photos import photograph
from simulators.displays import content

SEED = next(seed for seed in range(99) if content(seed, "font", "list").quantity == "pulse_time")


def test_values_read_off_a_photo_are_taken_once_a_person_has_touched_them(bench, person):
    tablet = bench.tablet
    tablet.register("fan-07", **PLATE)
    tablet.start("fan-07", "pulse-three-pairs", rotor="out")
    tablet.act("overridden", step="pulse", lock="insulation", reason="tested before")
    photo = photograph(SEED, "font", "list")
    truth = [f"{value.digits} {value.unit}" for value in photo.content.values]

    page = person(page=f"/jobs/{tablet.job}").page
    page.get_by_text("Photo, note, second keying").click()
    file = {"name": "display.jpg", "mimeType": "image/jpeg", "buffer": photo.encoded()}
    page.locator("#photo").set_input_files([file])
    offers = page.locator(".proposal")
    expect(offers).to_have_count(3, timeout=60_000)
    for place, (pair, said) in enumerate(zip(("U-V", "V-W", "W-U"), truth, strict=True), start=1):
        # Nothing is filled in by itself; a touch takes the value over.
        expect(page.locator(f"#value-{place}")).to_have_value("")
        button = page.get_by_role("button", name=f"{pair}: the display shows {said}")
        expect(page.get_by_role("img", name=f"{pair}: this part of the photo")).to_be_visible()
        button.press("Enter")
        expect(page.locator(f"#value-{place}")).to_have_value(said)
    corrected = re.sub(r"\d(?=\D*$)", lambda last: str((int(last.group()) + 1) % 10), truth[2])
    page.locator("#value-3").fill(corrected)
    page.get_by_role("button", name="Take these values").click()
    stands = page.get_by_role("button", name="It stands so: take it")
    taken = page.locator(".steps > li .taken li")
    expect(stands.or_(taken).first).to_be_visible()
    if stands.is_visible():
        stands.click()
    expect(taken).to_have_count(3)

    sources = [
        tablet.get(f"/api/readings/{value['reading']}")["source"]
        for value in tablet.step("pulse")["values"]
    ]
    assert [source["kind"] for source in sources] == ["photo"] * 3
    assert [source["proposed"] for source in sources] == truth
    assert [source.get("corrected") for source in sources] == [None, None, corrected]
    assert {source["operator"] for source in sources} == {"technician"}
