"""Numbers that a person types into a form: understood whole, or refused in words.

A browser's own number field drops a comma or a unit without a word, by the language it is set to:
28,5 A became 285 A, 15 kW became 15 W, and a winding at 22,5 °C was at 225 °C.
"""

import pytest
from job_bench import PLATE
from playwright.sync_api import expect

pytestmark = pytest.mark.takes(20)

MACHINE = "/api/machines/fan-09"


def type_into(page, label, text):
    """Type letter by letter, as a person does: what a field drops is dropped then."""
    field = page.get_by_label(label)
    field.fill("")
    field.press_sequentially(text)


def register(page):
    page.get_by_role("button", name="Register").click()


def test_numbers_are_understood_with_comma_unit_and_prefix(bench, person):
    who = person(page="/machines", locale="en-US")
    page = who.page
    page.get_by_label("Name, as on its label").fill("fan-09")
    for label, text in (
        ("Rated voltage", "0,4 kV"),
        ("Rated power", "15 kW"),
        ("Rated current", "28,5 A"),
        ("Rated frequency", "50"),
        ("Rated speed", "1 455 rpm"),
        ("Poles", "4"),
        ("Its constant k", "234.5"),
        ("Year", "2004"),
    ):
        type_into(page, label, text)
    register(page)
    page.wait_for_url("**/machines/fan-09")
    plate = bench.tablet.get(MACHINE)["nameplate"]
    told = ("volts", "watts", "amperes", "hertz", "rpm")
    assert [plate[f"rated_{name}"] for name in told] == [400, 15000, 28.5, 50, 1455]
    assert (plate["poles"], plate["year"], plate["zero_resistance_celsius"]) == (4, 2004, 234.5)

    # Said anew: what the page brought back is what was stored, untouched fields included.
    page.get_by_text("Its nameplate, to be said anew").click()
    expect(page.get_by_label("Rated power")).to_have_value("15000")
    type_into(page, "Rated current", "28,7")
    page.get_by_role("button", name="Say anew what is known").click()
    expect(page.locator("main")).to_contain_text("28.7 A")
    assert bench.tablet.get(MACHINE)["nameplate"] == {**plate, "rated_amperes": 28.7}


@pytest.mark.parametrize(
    ("label", "text", "said"),
    [
        ("Rated power", "15 PS", "“15 PS”: its unit is W or kW or MW"),
        ("Rated power", "15 KW", "its unit is W or kW or MW"),
        ("Rated speed", "1.455", "can be read two ways; type 1455"),
        ("Rated voltage", "vier", "“vier” is not a number in V"),
        ("Rated current", "28,5,1", "“28,5,1” is not a number in A"),
        ("Poles", "3", "3 is not an even number"),
        ("Year", "2004,5", "2004,5 is not a whole number"),
    ],
)
def test_what_is_no_number_is_refused_and_nothing_is_stored(
    standing_bench, visitor, label, text, said
):
    tablet = standing_bench.tablet
    who = visitor(page="/machines", locale="en-US")
    page = who.page
    page.get_by_label("Name, as on its label").fill("fan-09")
    type_into(page, label, text)
    register(page)
    field = page.get_by_label(label)
    expect(field).to_be_focused()
    assert said in field.evaluate("field => field.validationMessage")
    assert tablet.get("/api/machines") == []
    # A draft that a reload brings back is looked at as well.
    page.reload()
    expect(field).to_have_value(text)
    register(page)
    expect(field).to_be_focused()
    assert tablet.get("/api/machines") == []


def test_a_number_that_is_not_likely_is_asked_about_once(bench, person):
    """The plate says 15 kW: 15 alone would be a machine of 15 W."""
    who = person(page="/machines")
    page = who.page
    page.get_by_label("Name, as on its label").fill("fan-09")
    type_into(page, "Rated power", "15")
    register(page)
    trouble = page.locator("#trouble")
    expect(trouble).to_have_text(
        "Rated power, W or kW: “15” would be 15 W: look once more; press again if it stands so."
    )
    expect(page.get_by_label("Rated power")).to_be_focused()
    assert bench.tablet.get("/api/machines") == []
    type_into(page, "Rated power", "16")  # another slip is another question
    register(page)
    expect(trouble).to_contain_text("“16” would be 16 W")
    register(page)
    page.wait_for_url("**/machines/fan-09")
    assert bench.tablet.get(MACHINE)["nameplate"]["rated_watts"] == 16


def test_what_the_bench_refuses_is_said_by_the_words_beside_the_field(visitor):
    who = visitor(page="/machines")
    page = who.page
    page.get_by_label("Name, as on its label").fill("fan-09")
    type_into(page, "Year", "04")
    register(page)
    expect(page.locator("#trouble")).to_have_text(
        "Year: 04 should be greater than or equal to 1880"
    )
    expect(page.get_by_label("Year")).to_be_focused()


def test_conditions_that_were_changed_stand_in_their_fields(bench, person):
    bench.tablet.register("fan-07", **PLATE)
    bench.tablet.start("fan-07", "three-pair-resistance", winding_celsius=225.0)
    who = person(page=f"/jobs/{bench.tablet.job}")
    page = who.page
    page.get_by_text("Change the conditions from here on").click()
    field = page.get_by_label("Winding temperature, °C")
    expect(field).to_have_value("225")
    type_into(page, "Winding temperature, °C", "-3,5 °C")
    page.get_by_role("button", name="These hold from here on").click()
    expect(page.locator(".conditions")).to_contain_text("-3.5 °C")
    expect(field).to_have_value("-3.5")
