"""A person at a tablet keys what displays show: by the number pad, by a keyboard, out of a table."""

import pytest
from job_bench import SIX
from playwright.sync_api import expect

pytestmark = pytest.mark.takes(25)


def press(page, *keys):
    for key in keys:
        page.locator(".pad").get_by_role("button", name=key, exact=True).click()


def test_three_pairs_by_the_pad_and_by_a_keyboard_then_a_column_pasted(bench, person):
    who = person(viewport={"width": 810, "height": 1080}, has_touch=True)
    page, tablet = who.page, bench.tablet
    tablet.register("fan-07")
    tablet.start("fan-07", "three-pair-inductance", rotor="out")
    page.goto(f"/jobs/{tablet.job}")
    who.connected()
    page.locator("#key-h").click()
    page.locator("#frequency").fill("1 kHz")
    expect(page.locator("#loss-1")).to_be_hidden()
    page.locator("#loss-as").select_option("Rs Ω")
    expect(page.locator("#model")).to_have_value("series")
    # H is what the form begins with, and mH what the display shows: asked, and what was typed stays.
    page.locator("#unit").select_option("H")
    page.locator("#value-1").click()
    press(page, "6", "2", "decimal mark", "1", "next", "2", "9", "decimal mark", "1")
    page.get_by_role("button", name="Take these values").click()
    expect(page.locator(".doubts")).to_contain_text("is 62.1 mH meant?")
    expect(page.locator("#value-1")).to_have_value("62.1")
    page.locator("#unit").select_option("mH")
    page.get_by_role("button", name="Take these values").click()

    # The next pair begins as this one was keyed, and with nothing in its fields.
    expect(page.locator("#now-h")).to_have_text("Inductance V-W")
    for field, value in (("frequency", "1 kHz"), ("unit", "mH"), ("loss-as", "Rs Ω")):
        expect(page.locator(f"#{field}")).to_have_value(value)
    expect(page.locator("#value-1")).to_have_value("")
    expect(page.locator("#loss-1")).to_have_value("")
    page.locator("#value-1").click()
    page.keyboard.type("62,3\n29.3\n")
    expect(page.locator("#now-h")).to_have_text("Inductance W-U")
    expect(page.locator("#value-1")).to_be_focused()
    page.keyboard.type("4k7\n\n")
    expect(page.locator("#trouble")).to_contain_text("has a letter in its number")
    expect(page.locator("#value-1")).to_have_value("4k7")
    page.locator("#value-1").fill("62.2")
    page.locator("#loss-1").fill("29.2")
    page.locator("#loss-1").press("Enter")
    tablet.wait_taken("inductance-w-u")
    found = [each["digits"] for pair in ("u-v", "v-w", "w-u") for each in taken(tablet, pair)]
    assert found == ["62.1", "29.1", "62,3", "29.3", "62.2", "29.2"]
    assert tablet.look()["suspicion"]["statement"] == "balanced"

    a_column_is_pasted(who, tablet)


def a_column_is_pasted(who, tablet):
    page = who.page
    tablet.start("fan-07", "pulse-six-readings", rotor="out")
    tablet.act("overridden", step="pulse", lock="insulation", reason="tested before")
    page.goto(f"/jobs/{tablet.job}")
    who.connected()
    paste(page, "#value-2", "\n".join(SIX))
    expect(page.locator("#trouble")).to_contain_text("6 values were pasted for 5 fields")
    expect(page.locator("#value-2")).to_have_value("")
    paste(page, "#value-1", "\t".join(SIX))
    for at, value in enumerate(SIX, start=1):
        expect(page.locator(f"#value-{at}")).to_have_value(value)
    # A bound is seen after the number, and stands before it.
    page.locator("#value-1").click()
    press(page, "above")
    expect(page.locator("#value-1")).to_have_value(f">{SIX[0]}")
    press(page, "above range, OL")
    expect(page.locator("#value-1")).to_have_value("OL")


def taken(tablet, pair):
    return tablet.step(f"inductance-{pair}")["values"]


def paste(page, field, text):
    """Paste as from another program: the page has a clipboard of its own."""
    page.locator(field).evaluate(
        """(field, text) => {
            const held = new DataTransfer();
            held.setData("text", text);
            field.dispatchEvent(new ClipboardEvent("paste", {
                clipboardData: held, bubbles: true, cancelable: true,
            }));
        }""",
        text,
    )
