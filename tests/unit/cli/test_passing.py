"""``benchtally job override`` of a discharge that another job of the machine owes."""

import json

import pytest

WHY = ("--reason", "it was earthed all along")
PASS = ("override", "resistance-u-v", "discharge", *WHY)


@pytest.fixture
def two_jobs(jobs):
    """Begin a job on a machine whose winding another one has left charged; gives that one."""
    tested = jobs.start("insulation-one-minute")["job"]
    jobs.act("applied", "insulation", "60")
    return tested, jobs.start("three-pair-resistance")["job"]


def shown(jobs, job):
    return json.loads(jobs.do("job", "show", job, "--json"))


def more(jobs, tested):
    jobs.do("job", "applied", tested, "insulation", "20", "--operator", "winder")


def test_it_says_for_which_job_it_was_passed(jobs, two_jobs):
    tested, own = two_jobs
    said = " ".join(jobs.act(*PASS).split())
    assert (
        f"the lock discharge is passed, also for what is left by insulation of job {tested}" in said
    )
    assert own in said


def test_a_later_voltage_than_was_shown_is_not_passed(jobs, two_jobs):
    tested, own = two_jobs
    looked = shown(jobs, own)
    more(jobs, tested)
    pressed = ("job", "override", own, *PASS[1:], "--operator", "winder")
    for told in (("--up-to", str(looked["up_to"])), ("--seen", str(looked["last"]))):
        code, _, err = jobs.run(*pressed, *told)
        assert code == 1
        assert f"held by a voltage of job {tested}" in err
    now = str(shown(jobs, own)["up_to"])
    assert "is passed" in jobs.do(*pressed, "--up-to", now)


def test_of_another_lock_it_is_no_matter(jobs):
    jobs.start("after-rewind")
    said = jobs.act("override", "pulse", "insulation", *WHY, "--up-to", "3")
    assert "the lock insulation is passed (entry" in said
