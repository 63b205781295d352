"""A lock of a discharge is passed from a page, and only so far as the page has shown it."""

import re

WHY = "earthed all along"


def two_jobs(served):
    tested = served.act(
        served.start("insulation-one-minute"), "applied", step="insulation", seconds=60
    )
    return tested, served.start("three-pair-resistance")


def step(job, id_):
    return next(each for each in job["steps"] if each["id"] == id_)


def told(served, job):
    """Give what the page's form says was shown."""
    page = served.client.get(f"/jobs/{job['job']}").text
    return int(re.search(r'name="event.up_to" value="(\d+)" data-number', page)[1])


def passing(served, job, status=201, **members):
    event = {"step": "resistance-u-v", "lock": "discharge", "reason": WHY, **members}
    return served.act(job, "overridden", status, **event)


def test_the_page_says_how_far_it_has_shown_and_passes_so_much(served):
    tested, job = two_jobs(served)
    assert told(served, job) == job["up_to"] == tested["last"]
    looked_at = told(served, job)
    tested = served.act(tested, "applied", step="insulation", seconds=20)
    refused = passing(served, job, 409, up_to=looked_at)
    assert refused["type"].endswith(":stale")
    assert tested["job"] in refused["detail"]
    after = passing(served, job, up_to=told(served, job))
    assert step(after, "resistance-u-v")["locks"] == []


def test_a_request_that_does_not_say_it_passes_no_more_than_its_seen(served):
    tested, job = two_jobs(served)
    served.act(tested, "applied", step="insulation", seconds=20)
    assert "look again" in passing(served, job, 409)["detail"]


def test_a_lock_of_another_name_says_nothing_of_it(served):
    job = served.start("pulse-six-readings")
    page = served.client.get(f"/jobs/{job['job']}").text
    assert "override-insulation" in page
    assert "event.up_to" not in page
