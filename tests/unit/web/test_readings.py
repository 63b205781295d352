"""Readings, tags, keyed values and photos over HTTP."""

import hashlib
import io
import json
import uuid

import pytest
from PIL import Image

from capture.model import new_id
from capture.photo.worker import PhotoReader, PhotoReadError
from simulators.display_photos import photograph


def test_a_page_of_readings_goes_on_where_the_one_before_ended(served, drafts):
    served.append(*drafts(7))
    served.append(*drafts(2, "ohm-2"))
    first = served.get("/api/readings", instrument="ohm-1", limit=4)
    assert [each["sequence"] for each in first["readings"]] == [7, 6, 5, 4]
    rest = served.get("/api/readings", instrument="ohm-1", limit=4, before=first["next"])
    assert [each["sequence"] for each in rest["readings"]] == [3, 2, 1]
    assert rest["next"] is None
    assert len(served.get("/api/readings")["readings"]) == 9
    assert served.get("/api/readings", quantity="inductance")["readings"] == []


def test_a_reading_is_given_as_it_was_stored(served, draft):
    made = draft()
    served.append(made)
    found = served.get(f"/api/readings/{made.id}")
    assert (found["id"], found["value"], found["sequence"]) == (str(made.id), 0.8421, 1)


def test_a_block_of_readings_is_tied_to_a_machine_at_once(served, drafts):
    made = drafts(3)
    served.register("fan-07")
    served.append(*made)
    ids = [str(each.id) for each in made]
    body = {"readings": [*ids, ids[0]], "machine": "fan-07", "point": "V-U", "note": "warm"}
    answer = served.client.post("/api/tags", json=body)
    assert answer.status_code == 201
    assert len(answer.json()["tags"]) == 3
    found = served.get("/api/readings", machine="fan-07")["readings"]
    assert {each["tag"]["test_point"]["direction"] for each in found} == {"reverse"}
    assert {each["tag"]["note"] for each in found} == {"warm"}


def test_readings_of_a_machine_that_nobody_registered_are_asked_about(served, draft):
    made = draft()
    served.append(made)
    body = {"readings": [str(made.id)], "machine": "fan-o7"}
    answer = served.client.post("/api/tags", json=body)
    assert answer.status_code == 422
    (doubt,) = answer.json()["doubts"]
    assert "machine 'fan-o7' is not registered" in doubt["words"]
    assert served.get("/api/readings", machine="fan-o7")["readings"] == []
    assert served.client.post("/api/tags", json={**body, "confirmed": True}).status_code == 201
    assert len(served.get("/api/readings", machine="fan-o7")["readings"]) == 1


def test_where_one_reading_is_not_there_none_is_tagged(served, draft):
    made = draft()
    served.append(made)
    body = {"readings": [str(made.id), str(new_id())], "machine": "fan-07"}
    answer = served.client.post("/api/tags", json=body)
    assert answer.status_code == 404
    assert "nothing was tagged" in answer.json()["detail"]
    assert served.get("/api/readings", machine="fan-07")["readings"] == []


def test_keyed_values_of_no_job_are_stored_once_whoever_asks_how_often(served):
    value = {"id": str(new_id()), "typed": "87,42 µs", "point": "V-U"}
    body = {
        "quantity": "pulse_time",
        "machine": "fan-07",
        "display": {"law": "period", "instrument": "pulse"},
        "values": [value],
    }
    served.register("fan-07")
    first = served.client.post("/api/keyed", json=body)
    assert first.status_code == 201, first.text
    (understood,) = first.json()["readings"]
    assert (understood["value"], understood["unit"]) == (87.42e-6, "s")
    assert understood["stored"] is True
    again = served.client.post("/api/keyed", json=body).json()["readings"]
    assert again[0]["stored"] is False
    other = {**body, "values": [{**value, "typed": "97.42 µs"}]}
    refused = served.client.post("/api/keyed", json=other)
    assert refused.status_code == 400
    assert "'87,42' is stored already" in refused.json()["detail"]
    (found,) = served.get("/api/readings", machine="fan-07")["readings"]
    assert found["source"]["operator"] == "technician"
    assert found["conditions"] == {"law": "period"}


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"values": [{"typed": "87.42"}]}, "unit"),
        ({"values": [{"typed": "eighty µs"}]}, "eighty"),
        ({"quantity": "resistance", "display": {"law": "rise"}}, "pulse_time"),
        ({"quantity": "no such"}, "quantity"),
        ({"operator": "somebody else"}, "operator"),
        ({"values": []}, "values"),
        ({"values": [{"typed": "1 µs", "point": "U-?"}]}, "'?' is not a terminal"),
        ({"machine": "../etc"}, "machine"),
    ],
)
def test_what_cannot_be_taken_is_told_and_nothing_is_stored(served, change, says):
    body = {"quantity": "pulse_time", "values": [{"typed": "87.42 µs"}], **change}
    body["values"] = [{"id": str(new_id()), **value} for value in body["values"]]
    answer = served.client.post("/api/keyed", json=body)
    assert answer.status_code == 400
    assert says in answer.json()["detail"]
    assert "\n" not in answer.json()["detail"]
    assert served.get("/api/readings")["readings"] == []


def test_odd_values_of_no_job_are_asked_about_as_in_a_job(served):
    value = {"id": str(new_id()), "typed": "-5 Ω"}
    body = {"quantity": "resistance", "machine": "fan-O7", "values": [value]}
    asked = served.client.post("/api/keyed", json=body)
    assert asked.status_code == 422
    assert asked.json()["type"].endswith(":doubt")
    machine, negative = (each["words"] for each in asked.json()["doubts"])
    assert machine == "machine 'fan-O7' is not registered (there is none)"
    assert negative == "-5 Ω: resistance is -5 Ω; more than zero is expected"
    assert served.get("/api/readings")["readings"] == []
    taken = served.client.post("/api/keyed", json={**body, "confirmed": True})
    assert taken.status_code == 201
    assert served.client.post("/api/keyed", json=body).json()["readings"][0]["stored"] is False


def test_a_photo_is_kept_upright_without_what_the_camera_wrote(served, photo):
    answer = served.client.post("/api/evidence", content=photo)
    assert answer.status_code == 201, answer.text
    digest = answer.json()["sha256"]
    kept = served.client.get(f"/api/evidence/{digest}")
    assert kept.headers["content-type"] == "image/jpeg"
    assert hashlib.sha256(kept.content).hexdigest() == digest
    assert not Image.open(io.BytesIO(kept.content)).getexif()
    assert b"somebody" not in kept.content
    assert served.client.post("/api/evidence", content=photo).json()["sha256"] == digest


@pytest.mark.parametrize(
    "content", [b"", b"no photo", b"<svg xmlns='http://www.w3.org/2000/svg'/>"]
)
def test_what_is_no_photo_is_refused(served, content):
    assert served.client.post("/api/evidence", content=content).status_code == 400


def test_a_photo_that_was_not_handed_in_cannot_be_named(served):
    missing = "0" * 64
    assert served.client.get(f"/api/evidence/{missing}").status_code == 404
    assert served.client.get("/api/evidence/..%2f..%2fetc%2fpasswd").status_code in (400, 404)
    body = {
        "quantity": "pulse_time",
        "display": {"photos": [missing]},
        "values": [{"id": str(new_id()), "typed": "1 µs"}],
    }
    assert served.client.post("/api/keyed", json=body).status_code == 404


def test_what_is_not_there_is_a_problem_document(served):
    for path in (
        f"/api/readings/{uuid.uuid4()}",
        f"/api/jobs/{uuid.uuid4()}",
        "/api/machines/fan-99",
        "/api/procedures/nothing",
        "/nothing",
    ):
        answer = served.client.get(path)
        assert answer.status_code == 404, path
        assert answer.headers["content-type"] == "application/problem+json"
        assert json.loads(answer.text)["type"] == "urn:benchtally:problem:not-found"


def test_the_document_of_the_api_names_every_operation(served):
    paths = served.get("/api/openapi.json")["paths"]
    assert "/api/jobs/{job}/steps/{step}/key" in paths
    assert "/api/events" in paths


def test_a_photo_of_a_display_gives_proposals_and_stores_nothing(served):
    photo = photograph(1003, "font", "list")
    digest = served.client.post("/api/evidence", content=photo.encoded()).json()["sha256"]
    body = {"quantity": photo.content.quantity, "points": ["U-V", "V-W", "W-U"]}
    answer = served.client.post(f"/api/evidence/{digest}/proposals", json=body)
    assert answer.status_code == 200, answer.text
    found = answer.json()
    assert found["photo"] == digest
    assert [each["digits"] for each in found["proposals"]] == [
        value.digits for value in photo.content.values
    ]
    assert served.get("/api/readings")["readings"] == []


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({"quantity": "resistence"}, 400),
        ({"quantity": "resistance", "points": ["nowhere"]}, 400),
        ({"quantity": "resistance", "profile": "no-such-profile"}, 400),
        ({"quantity": "resistance", "profile": "../secret"}, 400),
    ],
)
def test_what_a_photo_cannot_be_read_for_is_said(served, photo, body, status):
    digest = served.client.post("/api/evidence", content=photo).json()["sha256"]
    answer = served.client.post(f"/api/evidence/{digest}/proposals", json=body)
    assert (answer.status_code, "\n" in answer.json()["detail"]) == (status, False)


def test_a_photo_that_cannot_be_read_now_is_a_problem(served, photo, monkeypatch):
    def late(*arguments, **more):
        raise PhotoReadError("reading the photo took longer than 30 s and was ended; key the value")

    monkeypatch.setattr(PhotoReader, "read", late)
    digest = served.client.post("/api/evidence", content=photo).json()["sha256"]
    path = f"/api/evidence/{digest}/proposals"
    answer = served.client.post(path, json={"quantity": "resistance"})
    assert (answer.status_code, answer.json()["type"]) == (503, "urn:benchtally:problem:not-now")
    missing = served.client.post(
        f"/api/evidence/{'0' * 64}/proposals", json={"quantity": "resistance"}
    )
    assert missing.status_code == 404


@pytest.mark.parametrize("until", ["0001-01-01T00:00", "1969-12-31T23:59", "9999-12-31T23:59"])
def test_readings_up_to_any_day_that_a_field_can_hold_are_a_page(served, draft, until):
    served.append(draft())
    page = served.client.get("/readings", params={"until": until})
    assert page.status_code == 200
    assert ("No reading fits" in page.text) == (until < "1970")
