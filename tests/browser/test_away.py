"""What a person sees of what cannot be heard or reached: no old value passes for a live one."""

import pytest
from job_bench import PLATE
from playwright.sync_api import expect

pytestmark = pytest.mark.takes(15)


def test_an_unplugged_instrument_is_named_at_the_step_that_waits_for_it(bench, person):
    bench.tablet.register("fan-07", **PLATE)
    bench.tablet.start("fan-07", "three-pair-resistance", rotor="out")
    who = person(page=f"/jobs/{bench.tablet.job}")
    watch = who.page.locator(".watch")
    expect(watch).to_contain_text("the leads are off")
    bench.ohm.end()
    expect(watch).to_contain_text("ohm-meter: not reached.")
    expect(watch).to_contain_text("Look at its cable")
    expect(watch.locator(".what")).to_have_text("Nothing comes from it now.")
    expect(watch.locator(".value")).to_have_text("–")


def test_without_a_connection_what_is_shown_is_called_old_where_the_person_looks(bench, person):
    bench.tablet.register("fan-07", **PLATE)
    bench.tablet.start("fan-07", "three-pair-resistance", rotor="out")
    who = person(page=f"/jobs/{bench.tablet.job}")
    page = who.page
    stale = page.locator("#stale")
    expect(stale).to_be_hidden()
    bench.daemon.stop()
    expect(stale).to_be_visible()
    page.locator(".steps").scroll_into_view_if_needed()
    expect(stale).to_be_in_viewport()
    expect(stale).to_contain_text("not as it is now")


def test_the_bench_page_says_that_the_broker_is_away(bench, person):
    who = person(page="/")
    undelivered = who.page.locator(".notice", has_text="Not delivered now (broker)")
    bench.broker.stop()
    expect(undelivered).to_contain_text("still to be delivered")
    bench.broker.start()
    expect(undelivered).to_have_count(0)


def test_leads_that_are_off_are_not_taken_by_one_touch(bench, person):
    bench.tablet.register("fan-07", **PLATE)
    bench.tablet.start("fan-07", "three-pair-resistance", rotor="out")
    who = person(page=f"/jobs/{bench.tablet.job}")
    page = who.page
    expect(page.locator(".watch")).to_contain_text("the leads are off")
    take = page.get_by_role("button", name="Take the newest reading now")
    expect(take).to_be_hidden()
    page.get_by_text("Take the newest reading, though there is no value now").click()
    take.click()  # an open path is a finding that a person may want to have
    row = page.locator(".steps > li", has_text="Resistance U-V")
    expect(row.locator(".wrong")).to_have_text("above range")
