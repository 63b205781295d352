"""Records over HTTP: made at the sign-off, given in every form, to those who are let in."""

import json

from capture.model import new_id
from capture.model.record import Record, hash_of

SIX = ("112.6 µs", "112.4 µs", "112.9 µs", "112.7 µs", "112.8 µs", "112.5 µs")


def done(served):
    """A job whose six times are keyed."""
    job = served.start("pulse-six-readings")
    job = served.act(
        job, "overridden", step="pulse", lock="insulation", reason="tested at incoming inspection"
    )
    return served.post(
        f"/api/jobs/{job['job']}/steps/pulse/key",
        seen=job["last"],
        display={"instrument": "pulse", "law": "period"},
        values=[{"id": str(new_id()), "typed": typed} for typed in SIX],
    )


def signed(served):
    job = served.act(done(served), "finished")
    return served.act(job, "signed-off", statement="as left")


def test_signing_off_makes_it_and_every_form_is_given(served):
    job = signed(served)
    answer = served.client.get(f"/api/jobs/{job['job']}/record.json")
    record = Record.model_validate_json(answer.content)
    assert record.sha256 == hash_of(record)
    assert record.signature.statement == "as left"
    assert answer.headers["content-disposition"].startswith('attachment; filename="record-fan-07-')
    pdf = served.client.get(f"/api/jobs/{job['job']}/record.pdf", params={"paper": "letter"})
    assert pdf.headers["content-type"] == "application/pdf"
    assert pdf.content.startswith(b"%PDF")
    page = served.client.get(f"/api/jobs/{job['job']}/record.html", params={"language": "de"})
    assert "Prüfprotokoll" in page.text
    table = served.client.get(f"/api/jobs/{job['job']}/record.csv")
    assert table.content.decode("utf-8-sig").startswith("what,name,")


def test_making_it_anew_without_a_change_gives_the_same(served):
    job = signed(served)
    path = f"/api/jobs/{job['job']}/record"
    first = served.client.post(path)
    assert first.status_code == 201
    served.register(rated_volts=690)
    second = served.client.post(path).json()
    assert (first.json()["version"], second["version"]) == (1, 2)
    earlier = served.client.get(f"{path}.json", params={"version": 1})
    assert json.loads(earlier.content) == first.json()


def test_before_the_sign_off_it_is_a_draft_and_cannot_be_made(served):
    job = done(served)
    draft = served.client.get(f"/api/jobs/{job['job']}/record.json").json()
    assert draft["state"] == "draft"
    assert draft["made_by"] == "technician"
    refused = served.client.post(f"/api/jobs/{job['job']}/record")
    assert refused.status_code == 400
    assert "not signed off" in refused.json()["detail"]


def test_nobody_who_is_not_let_in_gets_one(served):
    job = signed(served)
    stranger = served.nobody()
    for form in ("pdf", "html", "json", "csv"):
        assert stranger.get(f"/api/jobs/{job['job']}/record.{form}").status_code == 401
    assert stranger.post(f"/api/jobs/{job['job']}/record").status_code in (401, 403)


def test_what_is_not_there_is_told(served):
    job = signed(served)
    path = f"/api/jobs/{job['job']}"
    assert served.client.get(f"{path}/record.exe").status_code == 400
    assert served.client.get(f"{path}/record.pdf", params={"language": "xx"}).status_code == 400
    assert served.client.get(f"{path}/record.json", params={"version": 9}).status_code == 400
    nobody = "/api/jobs/01900000-0000-7000-8000-000000000000/record.json"
    assert served.client.get(nobody).status_code == 404


def test_the_pages_lead_to_it(served):
    job = done(served)
    link = f'href="/api/jobs/{job["job"]}/record.pdf"'
    assert link not in served.client.get(f"/jobs/{job['job']}").text
    job = served.act(job, "finished")
    page = served.client.get(f"/jobs/{job['job']}").text
    assert link in page
    assert "its record is a draft" in page
    served.act(job, "signed-off")
    page = served.client.get(f"/jobs/{job['job']}").text
    assert link in page
    assert "its record is a draft" not in page
    assert link in served.client.get("/machines/fan-07").text
