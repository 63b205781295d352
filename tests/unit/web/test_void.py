"""Voiding over HTTP and on the pages, jobs begun twice, and verdicts in the list of jobs."""

import pytest

from capture.model import new_id
from capture.model.record import Record

WHY = "begun on the wrong machine"


def void(served, job, status=201, client=None, **more):
    given = {"seen": job["last"], "reason": WHY, **more}
    return served.post(f"/api/jobs/{job['job']}/void", status, client, **given)


def page(served, path):
    answer = served.client.get(path)
    assert answer.status_code == 200, answer.text
    return answer.text


def test_a_void_job_says_so_wherever_it_is_shown(served):
    job = served.start("three-pair-inductance")
    view = void(served, job)
    assert view["status"] == "voided"
    assert view["voided"]["reason"] == WHY
    assert view["voided"]["operator"] == "technician"
    assert view["voided"]["was"] == "running"
    assert view["verdict"] == "not applicable"
    (listed,) = served.get("/api/jobs")["jobs"]
    assert (listed["status"], listed["verdict"]) == ("voided", "not applicable")
    assert listed["doubt"] == f"void, by technician: {WHY}"
    shown = page(served, f"/jobs/{job['job']}")
    assert shown.index("earth that winding") < shown.index(WHY.capitalize())
    assert "Void this job" not in shown
    for path in ("/jobs", "/machines/fan-07"):
        shown = page(served, path)
        assert '<span class="mark mark-bad">voided</span>' in shown
        assert WHY in shown
    assert "Compare two jobs" not in page(served, "/machines/fan-07")


def test_what_a_voltage_left_is_still_confirmed_in_it(served):
    job = served.start("insulation-one-minute")
    job = served.act(job, "applied", step="insulation", seconds=60)
    job = void(served, job)
    shown = page(served, f"/jobs/{job['job']}")
    assert "The winding was discharged" in shown
    served.clock.advance(241)
    job = served.act(job, "discharged", step="insulation")
    assert job["status"] == "voided"
    assert "The winding was discharged" not in page(served, f"/jobs/{job['job']}")


def test_a_signed_job_gets_a_record_that_says_so(served):
    job = served.start("three-pair-inductance")
    job = served.act(served.act(job, "finished"), "signed-off")
    job = void(served, job)
    answer = served.client.get(f"/api/jobs/{job['job']}/record.json")
    record = Record.model_validate_json(answer.content)
    assert (record.version, record.voided.reason) == (2, WHY)
    assert "v2-void" in answer.headers["content-disposition"]
    served.act(job, "signed-off", status=400)


@pytest.mark.parametrize("door", ["void", "acts"])
def test_only_the_roles_that_the_site_names_may(served, door):
    jobs = served.config.jobs.model_copy(update={"void_roles": ("foreman",)})
    vars(served.config)["jobs"] = jobs  # a configuration is frozen; this one was read so
    served.add_operator("Ada", role="winder")
    served.add_operator("Kim", role="Foreman")
    winder, foreman = served.as_("Ada"), served.as_("Kim")
    served.client = winder
    job = served.start("three-pair-inductance")

    def voided_by(client, status):
        if door == "void":
            return void(served, job, status, client)
        event = {"action": "noted", "text": WHY, "voids": True}
        path = f"/api/jobs/{job['job']}/acts"
        return served.post(path, status, client, seen=job["last"], event=event)

    refused = voided_by(winder, 403)
    assert refused["type"].endswith(":not-allowed")
    assert "only foreman may void a job" in refused["detail"]
    assert "the role winder" in refused["detail"]
    shown = page(served, f"/jobs/{job['job']}")
    assert "Void this job" not in shown
    assert "takes the role foreman" in shown
    served.client = foreman
    assert "Void this job" in page(served, f"/jobs/{job['job']}")
    assert voided_by(foreman, 201)["voided"]["operator"] == "Kim"


def test_what_is_open_is_asked_about_with_the_job_that_it_is(served):
    first = served.start("three-pair-inductance")
    body = {"machine": "fan-07", "procedure": "three-pair-inductance"}
    refused = served.post("/api/jobs", 409, job=str(new_id()), **body)
    assert refused["type"].endswith(":open-job")
    assert refused["job"] == first["job"]
    served.post("/api/jobs", 409, job=str(new_id()), beside=str(new_id()), **body)
    second = served.post("/api/jobs", job=str(new_id()), beside=refused["job"], **body)
    assert second["status"] == "running"
    assert len(served.get("/api/jobs")["jobs"]) == 2


def test_the_list_tells_each_verdict_with_what_stands_behind_it(served):
    job = served.start("three-pair-inductance")
    (listed,) = served.get("/api/jobs")["jobs"]
    assert (listed["verdict"], listed["doubt"]) == ("inconclusive", "not run: inductance")
    served.act(job, "finished")
    (listed,) = served.get("/api/jobs")["jobs"]
    assert (listed["verdict"], listed["doubt"]) == ("inconclusive", "not run: inductance")
    shown = page(served, "/jobs")
    assert '<span class="mark mark-off">inconclusive</span>' in shown
    assert "not run: inductance" in shown
