"""Every page: usable by anybody, at any width, whatever text comes from outside."""

import io

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from job_bench import PLATE, SIX
from PIL import Image
from playwright.sync_api import expect

from capture.model import new_id

pytestmark = pytest.mark.takes(69)

WIDTHS = ((1280, 800), (360, 740))
#: Markup, terminal escapes, a formula, a direction override, a script address.
HOSTILE = "<img src=x onerror=boom()><script>boom()</script>=HYPERLINK(1)'\";\u202egpj.exe javascript:boom()"


def fill(bench):
    """Make a job with something of everything in it."""
    tablet = bench.tablet
    tablet.register("fan-07", **PLATE, description="extraction fan")
    tablet.start("fan-07", "pulse-six-readings", rotor="out", state="as-found")
    tablet.act("overridden", step="pulse", lock="insulation", reason="tested before")
    out = io.BytesIO()
    Image.effect_noise((320, 200), 40).convert("RGB").save(out, "JPEG")
    digest = tablet.photograph(out.getvalue())
    tablet.key("pulse", SIX, display={"law": "period", "photos": [digest]})
    tablet.act("redone", step="pulse", reason="lead slipped")


def pages(bench):
    return (
        "/",
        "/jobs",
        f"/jobs/{bench.tablet.job}",
        "/machines",
        "/machines/fan-07",
        "/readings",
        "/setup",
        "/login",
    )


def test_nothing_serious_is_found_at_any_width_and_zoom(bench, person):
    """axe-core finds nothing serious, nothing is cut off, and 200 % zoom needs no second bar."""
    fill(bench)
    who = person()
    page = who.page
    found = []
    for path in pages(bench):
        for width, height in (*WIDTHS, (640, 400)):  # 640 of 1280: what 200 % zoom leaves
            page.set_viewport_size({"width": width, "height": height})
            page.goto(path)
            over = page.evaluate("document.documentElement.scrollWidth - innerWidth")
            assert over <= 0, f"{path} at {width} px is {over} px too wide"
        page.evaluate("for (const each of document.querySelectorAll('details')) each.open = true")
        told = Axe().run(page).response
        assert len(told["passes"]) > 15, "axe did not look"
        for each in told["violations"]:
            if each["impact"] in ("serious", "critical"):
                nodes = [node["html"][:120] for node in each["nodes"][:3]]
                found.append((path, each["id"], nodes))
    assert found == []


def test_hostile_text_is_shown_and_does_nothing(bench, person):
    """Notes, names, conditions, operators and file names of photos: shown as they are."""
    fill(bench)
    tablet = bench.tablet
    tablet.register("fan-07", **PLATE, description=HOSTILE.replace("\u202e", ""))
    tablet.act("noted", text=HOSTILE)
    tablet.act("conditions", conditions={"temperature_by": "<b>thermometer</b>"})
    other = bench.another('<script>boom()</script> "operator"')
    other.act("noted", step="pulse", text=HOSTILE)
    who = person()
    page = who.page
    page.add_init_script("window.boom = () => { window.boomed = true; }")
    for path in pages(bench):
        page.goto(path)
        who.connected() if path != "/login" else None
        assert page.evaluate("window.boomed") is None, path
        assert page.locator("main script, main img:not([src^='/jobs/'])").count() == 0, path
        assert "\u202e" not in page.content(), path
    page.goto(f"/jobs/{tablet.job}")
    expect(page.locator(".note")).to_contain_text("<script>boom()</script>=HYPERLINK(1)")
    expect(page.locator(".conditions")).to_contain_text("<b>thermometer</b>")


def test_hostile_text_from_an_instrument_is_shown_and_does_nothing(rig, person, bench):
    """An instrument's identity is markup; the bench page shows it and runs nothing."""
    who = person()
    identity = "<script>boom()</script>,<img src=x onerror=boom()>,\x1b[2J,1.0"
    meter = rig.simulate("scpi-resistance", "--tcp", 0, "-o", f"identity={identity}")
    bench.ohm = meter
    bench.daemon.stop()
    bench.start()
    page = who.page
    page.add_init_script("window.boom = () => { window.boomed = true; }")
    who.base = f"http://127.0.0.1:{bench.port()}"
    page.goto(f"{who.base}/login")
    page.get_by_role("button", name="Go on").click()
    page.wait_for_url("**/")
    expect(page.locator(".cards")).to_contain_text("<script>boom()</script>")
    assert page.evaluate("window.boomed") is None
    assert "\x1b" not in page.content()


def test_a_printed_job_is_a_usable_sheet(bench, person):
    """No buttons, no fields; machine, steps, values and cautions."""
    fill(bench)
    bench.tablet.key("pulse", SIX, display={"law": "period"})
    who = person(page=f"/jobs/{bench.tablet.job}")
    page = who.page
    page.emulate_media(media="print")
    assert page.locator("button:visible, input:visible, select:visible").count() == 0
    for text in ("fan-07", "112.6 µs", "not a safety device", "pulse deviation"):
        expect(page.get_by_text(text).first).to_be_visible()


def test_a_person_who_is_not_in_is_asked_who_they_are(standing_bench, chromium):
    """Pages lead to the question, and back to where the person wanted to go; then out again."""
    context = chromium.new_context(base_url=f"http://127.0.0.1:{standing_bench.port()}")
    page = context.new_page()
    page.goto("/readings?quantity=resistance")
    assert "/login?next=" in page.url
    page.get_by_label("Role or name").fill("foreman")
    page.get_by_role("button", name="Go on").click()
    page.wait_for_url("**/readings?quantity=resistance")
    expect(page.locator(".who")).to_have_text("foreman")
    page.get_by_role("button", name="Log out").click()
    page.wait_for_url("**/login")
    page.goto("/jobs")
    assert "/login" in page.url
    context.close()


def test_what_was_typed_does_not_stand_in_the_markup_of_a_page(standing_bench, chromium):
    """Nobody answers, so the page stays as it is, and so does what was typed, in its field alone."""
    context = chromium.new_context(base_url=f"http://127.0.0.1:{standing_bench.port()}")
    page = context.new_page()
    page.goto("/login")
    page.route("**/api/session", lambda route: route.abort())
    page.get_by_label("Role or name").fill("f4n-H0use-7Q")
    page.get_by_role("button", name="Go on").click()
    expect(page.get_by_text("Not sent: the bench cannot be reached")).to_be_visible()
    assert "f4n-H0use-7Q" not in page.content()
    assert page.get_by_label("Role or name").input_value() == "f4n-H0use-7Q"
    context.close()


@pytest.mark.parametrize(
    "next_", ["//evil.example/", "https://evil.example/", "javascript:alert(1)"]
)
def test_nobody_is_led_away_after_the_log_in(standing_bench, chromium, next_):
    context = chromium.new_context(base_url=f"http://127.0.0.1:{standing_bench.port()}")
    page = context.new_page()
    page.goto(f"/login?next={next_}")
    page.get_by_role("button", name="Go on").click()
    page.wait_for_url(f"http://127.0.0.1:{standing_bench.port()}/")
    context.close()


def test_readings_are_filtered_and_paged_through(bench, person):
    """The filter narrows, Older goes on, Newest comes back; the address holds what was asked."""
    who = person()
    values = [{"id": str(new_id()), "typed": f"{n} mΩ", "point": "U-V"} for n in range(1, 25)]
    for n in range(6):
        body = {
            "quantity": "resistance",
            "machine": "fan-09",
            "confirmed": True,
            "values": [{**each, "id": str(new_id())} for each in values],
            "display": {"instrument": "hand"},
        }
        answer = bench.tablet.client.post("/api/keyed", json=body)
        assert answer.status_code == httpx.codes.CREATED, (n, answer.text)
    bench.tablet.register("fan-09")
    page = who.page
    page.goto("/readings?instrument=hand")
    expect(page.locator("tbody tr")).to_have_count(100)
    first = page.locator("tbody tr").first.text_content()
    page.get_by_role("link", name="Older").click()
    expect(page.locator("tbody tr")).to_have_count(44)
    page.get_by_role("link", name="Newest").click()
    expect(page.locator("tbody tr")).to_have_count(100)
    assert page.locator("tbody tr").first.text_content() == first
    page.get_by_label("Machine").select_option("fan-09")
    page.get_by_role("button", name="Show").click()
    page.wait_for_url("**/readings?*machine=fan-09*")
    expect(page.locator("tbody tr").first).to_contain_text("fan-09")


def test_a_job_that_is_open_is_asked_about_and_one_begun_wrongly_is_voided(bench, person):
    """Nothing is begun twice, and nothing voided, by one press alone."""
    bench.tablet.register("fan-09")
    first = bench.tablet.start("fan-09", "three-pair-inductance")["job"]
    who = person(operator="foreman", page="/jobs")
    page = who.page
    page.get_by_label("Procedure").select_option("three-pair-inductance")
    page.get_by_role("button", name="Start the job").click()
    asked = page.locator("[data-asked]")
    expect(asked).to_contain_text(first)
    page.get_by_label("Procedure").select_option("three-pair-resistance")
    expect(asked).to_be_hidden()
    page.get_by_label("Procedure").select_option("three-pair-inductance")
    page.get_by_role("button", name="Start the job").click()
    expect(asked.get_by_role("link", name="Go to that job")).to_have_attribute(
        "href", f"/jobs/{first}"
    )
    asked.get_by_role("button", name="Start another one beside it").click()
    page.wait_for_url("**/jobs/0*")
    who.connected()
    page.get_by_text("Void this job").click()
    expect(page.get_by_text("Does the whole job count for nothing?")).to_be_visible()
    page.get_by_role("button", name="Void the whole job").click()  # a reason is missing
    expect(page.locator(".mark", has_text="voided")).to_have_count(0)
    page.locator("#void-why").fill("begun on the wrong machine")
    page.get_by_role("button", name="Void the whole job").click()
    expect(page.locator("#now-h")).to_have_text("Void")
    expect(page.locator(".now")).to_contain_text("Voided by foreman")
    expect(page.locator(".now")).to_contain_text("earth that winding")
    assert page.get_by_text("Void this job").count() == 0
    page.goto("/jobs")
    row = page.locator("[data-part=jobs] li", has_text="voided")
    expect(row).to_contain_text("not applicable")
    expect(row).to_contain_text("begun on the wrong machine")


def test_jobs_are_paged_through(bench, person):
    """Older goes on, Newest comes back; a job that somebody works on comes up by itself."""
    bench.tablet.register("fan-09")
    newest = None
    for _ in range(102):
        newest = bench.tablet.start("fan-09", "three-pair-inductance", beside=newest)["job"]
    who = person(page="/jobs")
    page, rows = who.page, who.page.locator("[data-part=jobs] li")
    expect(rows).to_have_count(100)
    assert page.get_by_role("link", name="Newest").count() == 0
    first = rows.first.locator("a").get_attribute("href")
    assert first == f"/jobs/{bench.tablet.job}"
    page.get_by_role("link", name="Older").click()
    expect(rows).to_have_count(2)
    oldest = rows.last.locator("a").get_attribute("href")
    assert page.get_by_role("link", name="Older").count() == 0
    page.get_by_role("link", name="Newest").click()
    expect(rows).to_have_count(100)
    expect(rows.first.locator("a")).to_have_attribute("href", first)
    who.connected()
    bench.tablet.job = oldest.removeprefix("/jobs/")
    bench.tablet.act("noted", text="dusty")
    expect(rows.first.locator("a")).to_have_attribute("href", oldest)
    expect(rows).to_have_count(100)
