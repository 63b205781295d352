"""The whole guided job by a person with a browser: no API call of the test's own but to look."""

import re

import pytest
from job_bench import PAIRS, PLATE, SIX
from playwright.sync_api import expect

pytestmark = pytest.mark.takes(50)


def start(bench, who, procedure="after-rewind"):
    """Register a machine and start a job, by the pages."""
    page = who.page
    page.goto("/machines")
    page.get_by_label("Name, as on its label").fill("fan-07")
    for label, value in (
        ("Rated voltage, V", "400"),
        ("Rated power, W", "15000"),
        ("Year", "2004"),
    ):
        page.get_by_label(label).fill(value)
    page.get_by_label("Connection", exact=True).select_option("star")
    page.get_by_role("button", name="Register").click()
    page.wait_for_url("**/machines/fan-07")
    page.get_by_role("link", name="Start a job").click()
    page.get_by_label("Procedure").select_option(procedure)
    page.get_by_text("Conditions").click()
    page.get_by_label("Rotor", exact=True).select_option("out")
    page.get_by_label("Winding temperature, °C").fill("22")
    page.get_by_role("button", name="Start the job").click()
    page.wait_for_url("**/jobs/0*")
    who.connected()
    bench.tablet.job = page.url.rpartition("/")[2]


def measure(bench, who, instrument, quantity, pair):
    """Put the leads on as the page says, and off again once it has moved on."""
    page = who.page
    expect(page.locator("#now-h")).to_have_text(f"{quantity} {pair}")
    first, second = pair.split("-")
    expect(page.locator(".now .leads")).to_have_text(
        f"First lead on {first}, second lead on {second}."
    )
    expect(page.locator(".watch .what")).to_contain_text("the leads are off")
    instrument.hand(f"pair {pair}")
    row = page.locator(".steps > li", has_text=f"{quantity} {pair}")
    expect(row).to_contain_text("taken by itself, once settled")
    if quantity == "Resistance":
        page.get_by_role("button", name="The current is zero").click()
        expect(page.get_by_role("button", name="The current is zero")).to_have_count(0)
    instrument.hand("lift")


def key(page, values=SIX):
    """Key the values by the number pad's own keys, or by typing."""
    for at, value in enumerate(values):
        page.locator(f"#value-{at + 1}").fill(value.removesuffix(" µs"))


def test_a_whole_job_without_a_hand_on_the_tablet(bench, person, tmp_path):
    who = person()
    start(bench, who)
    page = who.page
    expect(page.locator("details.caution")).to_contain_text("lock it off")
    page.get_by_role("button", name="Sound is off").click()
    for pair in PAIRS:
        measure(bench, who, bench.ohm, "Resistance", pair)
    for pair in PAIRS:
        measure(bench, who, bench.lcr, "Inductance", pair)
    assert int(page.evaluate("document.body.dataset.sounded")) >= 7  # one of them when turned on

    # Done again: the old reading stays, with its reason.
    row = page.locator(".steps > li", has_text="Inductance V-W")
    row.get_by_text("Do again").first.click()
    row.get_by_role("button", name="Do again: lead slipped").click()
    measure(bench, who, bench.lcr, "Inductance", "V-W")
    expect(row).to_contain_text("earlier, superseded")

    # Insulation at its times; then the winding waits for its discharge.
    expect(page.locator(".set")).to_contain_text("500 V direct, for 400 V rated")
    bench.insulation.hand("press")
    expect(page.locator(".lock").first).to_contain_text("Keep the winding earthed")
    bench.insulation.hand("lift")
    # Four times 75 s since the voltage ended; after 60 s of it, when it was taken, 240 s were to wait.
    expect(page.locator(".count").first).to_have_text(re.compile(r"4 min [1-5]\d s still to wait"))
    page.get_by_role("button", name="The winding was discharged").click()
    expect(page.locator("#trouble")).to_contain_text("with the winding earthed")
    page.get_by_text("Go on without it, on your own responsibility").click()
    page.locator("#why-override-discharge").fill("simulated winding, no charge")
    page.get_by_role("button", name="Pass the lock").click()

    # Six times off a display, a slipped prefix among them.
    page.get_by_label("What its number is").select_option("period")
    page.get_by_label("Unit as shown").select_option("µs")
    key(page, ("112600 µs", *SIX[1:]))
    page.get_by_role("button", name="Take these values").click()
    expect(page.locator(".doubts")).to_contain_text("Look at the display once more")
    page.locator("#value-1").fill("112,6")
    expect(page.locator(".doubts")).to_be_hidden()
    page.get_by_role("button", name="Take these values").click()
    expect(page.locator("#now-h")).to_have_text("All steps are done")
    expect(page.locator(".sentence")).not_to_contain_text("not run")
    expect(page.locator("figure")).to_have_count(4)
    page.get_by_role("button", name="Finish the job").click()
    page.get_by_label("Statement").fill("one coil is to be looked at")
    page.get_by_role("button", name="Sign off").click()
    expect(page.locator("#now-h")).to_have_text("Signed off")
    found = bench.tablet.look()
    assert found["status"] == "signed-off"
    assert [each["value"] for each in bench.tablet.step("pulse")["values"]] == pytest.approx(
        [float(each.split()[0]) * 1e-6 for each in SIX]
    )


class Held:
    """Requests that do not reach the bench until they are let go."""

    def __init__(self, page, pattern):
        self.waiting = []
        self.holds = True
        self.page, self.pattern = page, pattern
        page.route(pattern, self.came)

    def came(self, route):
        if self.holds:
            self.waiting.append(route)
        else:
            route.continue_()

    def let_go(self):
        """Let them go, and ask for no more: a request that comes while no call to the browser is
        under way would wait for its handler, and whoever waits for its outcome elsewhere, in vain.
        """
        self.holds = False
        for each in self.waiting:
            each.continue_()
        self.page.unroute(self.pattern, self.came)


def ready_to_key(bench, who, beside=None):
    """Start a job that waits for six pulse times."""
    bench.tablet.register("fan-07", **PLATE)
    bench.tablet.start("fan-07", "pulse-six-readings", beside=beside, rotor="out")
    bench.tablet.act(
        "overridden", step="pulse", lock="insulation", reason="tested at incoming inspection"
    )
    who.page.goto(f"/jobs/{bench.tablet.job}")
    who.connected()


def test_a_reload_and_a_lost_connection_in_the_middle_of_keying(bench, person):
    who = person()
    ready_to_key(bench, who)
    page = who.page
    # What keeps the pages for times without a connection has to be there before that.
    page.wait_for_function("navigator.serviceWorker.controller !== null")
    # The number pad types into the field that was touched last.
    page.locator("#value-1").click()
    for pressed in ("1", "1", "2", "decimal mark", "6"):
        page.locator(".pad").get_by_role("button", name=pressed, exact=True).click()
    page.locator(".pad").get_by_role("button", name="next").click()
    for pressed in ("1", "1", "2", "decimal mark", "4"):
        page.locator(".pad").get_by_role("button", name=pressed, exact=True).click()
    expect(page.locator("#value-1")).to_have_value("112.6")
    page.reload()
    expect(page.locator("#value-1")).to_have_value("112.6")
    expect(page.locator("#value-2")).to_have_value("112.4")
    for at, value in enumerate(SIX[2:], start=3):
        page.locator(f"#value-{at}").fill(value.removesuffix(" µs"))
    # The network goes; a reload shows the page as it was; the values are sent when it is back.
    who.context.set_offline(True)
    page.get_by_role("button", name="Take these values").click()
    expect(page.locator("[data-kept]")).to_contain_text("sent as soon as the bench is back")
    page.reload()
    expect(page.locator("#value-6")).to_have_value(SIX[5].removesuffix(" µs"))
    assert bench.tablet.step("pulse")["status"] == "open"
    who.context.set_offline(False)
    bench.tablet.wait_taken("pulse")
    page.reload()
    expect(page.locator("#now-h")).to_have_text("All steps are done")
    assert len(bench.tablet.get("/api/readings", quantity="pulse_time")["readings"]) == 6


def test_what_was_stored_though_the_answer_was_lost_is_not_stored_twice(bench, person):
    who = person()
    ready_to_key(bench, who)
    page = who.page
    key(page)

    def lose(route):
        # The bench takes it, and the answer never arrives.
        route.fetch()
        route.abort()

    page.route("**/steps/pulse/key", lose, times=1)
    page.get_by_role("button", name="Take these values").click()
    expect(page.locator("#now-h")).to_have_text("All steps are done")
    page.reload()
    who.connected()
    expect(page.locator("#trouble")).to_be_hidden()
    assert len(bench.tablet.get("/api/readings", quantity="pulse_time")["readings"]) == 6


def test_what_was_changed_after_a_lost_answer_is_stored_as_well(bench, person):
    """The bench has it as it was first; as it was changed it must not pass for sent."""
    page = person().page

    def lose(route):
        route.fetch()
        route.abort()

    page.route("**/api/machines", lose, times=1)
    page.goto("/machines")
    page.get_by_label("Name, as on its label").fill("fan-09")
    page.get_by_label("Rated voltage, V").fill("400")
    page.get_by_role("button", name="Register").click()
    expect(page.locator("#trouble")).to_contain_text("Not sent")
    page.get_by_label("Rated voltage, V").fill("690")
    page.get_by_role("button", name="Register").click()
    page.wait_for_url("**/machines/fan-09")
    assert bench.tablet.get("/api/machines/fan-09")["nameplate"]["rated_volts"] == 690


def test_what_is_pressed_right_after_ones_own_last_value_is_done(bench, person):
    """The page is slow to be drawn anew; nobody but the person themselves has acted meanwhile."""
    who = person(service_workers="block")
    ready_to_key(bench, who)
    page = who.page
    key(page)
    slow = Held(page, f"**/jobs/{bench.tablet.job}")
    page.get_by_role("button", name="Take these values").click()
    bench.tablet.wait_taken("pulse")
    with page.expect_response("**/acts") as answer:
        page.get_by_role("button", name="Finish the job").click()
    assert answer.value.status == 201
    assert bench.tablet.look()["status"] == "finished"
    slow.let_go()
    expect(page.locator("#now-h")).to_have_text("Finished")
    expect(page.locator("#trouble")).to_be_hidden()


def test_what_is_pressed_while_values_are_on_their_way_waits_for_them(bench, person):
    who = person()
    ready_to_key(bench, who)
    page = who.page
    key(page, ("112600 µs", *SIX[1:]))
    slow = Held(page, "**/steps/pulse/key")
    with page.expect_request("**/steps/pulse/key"):
        page.get_by_role("button", name="Take these values").click()
    page.get_by_role("button", name="Finish the job").click()
    slow.let_go()
    # They are odd, and are not taken; nobody wants the job to end without them.
    expect(page.locator(".doubts")).to_contain_text("Look at the display once more")
    expect(page.locator("#trouble")).to_contain_text("what was pressed before it was not taken")
    assert bench.tablet.look()["status"] == "running"
    page.get_by_role("button", name="It stands so: take it").click()
    bench.tablet.wait_taken("pulse")


def test_a_press_is_not_lost_where_the_page_changes_under_it(bench, person):
    who = person(service_workers="block")
    ready_to_key(bench, who)
    page = who.page
    button = page.get_by_role("button", name="Finish the job")
    button.hover()
    page.mouse.down()
    with page.expect_response(page.url):
        bench.tablet.act("noted", text="dusty")  # it stands in the same part of the page
    expect(page.locator(".note")).to_have_count(0)
    with page.expect_request("**/acts"):
        page.mouse.up()
    # It was heard, and rested on what the person had seen.
    expect(page.locator("#trouble")).to_contain_text("Somebody acted meanwhile")
    expect(page.locator(".note")).to_have_text("dusty")


def test_two_tablets_on_one_job_see_each_other(bench, person):
    one, other = person("technician"), person("foreman")
    ready_to_key(bench, one)
    other.page.goto(one.page.url)
    other.connected()
    # What one types stays while the other acts; what the other does is seen at once.
    one.page.locator("#value-1").fill("112,6")
    other.page.get_by_label("Note").last.fill("terminal box is clean")
    other.page.get_by_role("button", name="Note it").click()
    expect(one.page.locator(".note")).to_have_text("terminal box is clean")
    expect(one.page.locator("#value-1")).to_have_value("112,6")
    other.page.get_by_text("Pause the job").click()
    other.page.get_by_role("button", name="Pause: end of the shift").click()
    expect(one.page.locator("#now-h")).to_have_text("The job is paused")
    one.page.get_by_role("button", name="Go on").click()
    expect(other.page.locator("#now-h")).to_have_text(
        "Pulse times of the three pairs, leads both ways"
    )
    expect(one.page.locator("#value-1")).to_have_value("112,6")


def test_a_job_by_keyboard_alone(bench, person):
    who = person()
    ready_to_key(bench, who)
    page = who.page
    page.locator("#value-1").focus()
    for value in SIX:
        page.keyboard.type(value)
        page.keyboard.press("Enter")
    expect(page.locator("#now-h")).to_have_text("All steps are done")
    page.keyboard.press("Home")
    page.get_by_role("link", name="To the content").focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"


def test_a_machine_may_be_called_by_a_number(bench, person):
    """What looks like a number is one only where the field is of numbers."""
    bench.tablet.register("4711", **PLATE)
    who = person(page="/jobs")
    page = who.page
    page.get_by_label("Machine", exact=True).select_option("4711")
    page.get_by_label("Procedure").select_option("after-rewind")
    page.get_by_role("button", name="Start the job").click()
    page.wait_for_url("**/jobs/0*")
    expect(page.locator("h1")).to_contain_text("4711")
    page.goto("/machines/4711")
    page.get_by_text("Its nameplate, to be said anew").click()
    page.get_by_label("Thermal class").select_option("155")
    page.get_by_role("button", name="Say anew what is known").click()
    page.wait_for_url("**/machines/4711")
    expect(page.locator("ul.rows li")).to_have_count(2)
    assert bench.tablet.get("/api/machines/4711")["nameplate"]["thermal_class"] == 155


def test_a_second_keying_survives_a_reload_and_a_note_stays_with_its_job(bench, person):
    who = person()
    ready_to_key(bench, who)
    page, first = who.page, bench.tablet.job
    key(page)
    page.get_by_text("Note, second keying").click()
    page.get_by_label("Keyed again by").fill("foreman")
    page.locator("#again-1").fill("112,6")
    page.get_by_label("Note").last.fill("of the first job only")
    page.reload()
    expect(page.locator("#again-1")).to_have_value("112,6")
    expect(page.get_by_label("Note").last).to_have_value("of the first job only")
    ready_to_key(bench, who, beside=first)
    assert bench.tablet.job != first
    expect(page.get_by_label("Note").last).to_have_value("")
