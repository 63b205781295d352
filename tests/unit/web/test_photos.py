"""Displays read off photos over HTTP: proposed, confirmed or corrected, told in the reading."""

import io

import pytest
import zxingcpp
from PIL import Image

from capture.extras import MissingExtraError
from capture.model import new_id
from simulators.display_photos import photograph_of
from simulators.displays import Content, Truth

PLACES = [(pair, way) for pair in ("U-V", "V-W", "W-U") for way in ("forward", "reverse")]
POINTS = ["U-V", "V-U", "V-W", "W-V", "W-U", "U-W"]
SIX = ("112.6", "112.4", "121.7", "121.9", "112.9", "112.8")


def photo_of(numbers):
    """Photograph a display that shows six pulse times."""
    values = tuple(
        Truth(pair, way, digits, "µs") for (pair, way), digits in zip(PLACES, numbers, strict=True)
    )
    taken = photograph_of(Content("font", "grid", "pulse_time", values), seed=3)
    out = io.BytesIO()
    taken.image.save(out, "JPEG", quality=92)
    return out.getvalue()


@pytest.fixture
def job(served):
    """A job whose six pulse times can be taken."""
    job = served.start()
    return served.act(
        job, "overridden", step="pulse", lock="insulation", reason="tested at incoming inspection"
    )


def handed_in(served, data):
    return served.client.post("/api/evidence", content=data).json()["sha256"]


def test_six_times_are_read_confirmed_and_one_corrected(served, job):
    digest = handed_in(served, photo_of(SIX))
    path = f"/api/jobs/{job['job']}/steps/pulse"
    answer = served.client.post(f"{path}/photo", json={"photo": digest}).json()
    read = answer["read"]["proposals"]
    assert answer["read"]["photo"] == digest
    assert [each["point"] for each in read] == POINTS
    assert [each["digits"] for each in read] == list(SIX)
    kept = served.get(f"/api/jobs/{job['job']}")
    assert kept["steps"][0]["values"] == []  # nothing was stored
    values = [
        {
            "id": str(new_id()),
            "typed": each["text"],
            "from_photo": {
                "photo": digest,
                "proposed": each["text"],
                "confidence": each["confidence"],
            },
        }
        for each in read
    ]
    values[0]["typed"] = "112.5 µs"
    after = served.post(
        f"{path}/key",
        seen=kept["last"],
        display={"photos": [digest], "law": "period"},
        values=values,
        confirmed=True,
    )
    sources = [
        served.get(f"/api/readings/{value['reading']}")["source"]
        for value in after["steps"][0]["values"]
    ]
    assert {each["kind"] for each in sources} == {"photo"}
    assert (sources[0]["proposed"], sources[0]["corrected"]) == ("112.6 µs", "112.5 µs")
    assert all("corrected" not in each for each in sources[1:])
    assert Image.open(io.BytesIO(served.client.get(f"/api/evidence/{digest}").content)).size


def test_what_is_unlikely_is_said_with_the_proposals(served, job):
    digest = handed_in(served, photo_of(("1126.0", *SIX[1:])))
    answer = served.client.post(
        f"/api/jobs/{job['job']}/steps/pulse/photo", json={"photo": digest}
    ).json()
    assert answer["read"]["proposals"][0]["digits"] == "1126.0"
    (words,) = [each for each in answer["unlikely"] if each.startswith("U-V 1126.0")]
    assert "the other test points read" in words


def test_a_photo_that_is_not_there_and_a_step_that_is_not(served, job, photo):
    path = f"/api/jobs/{job['job']}/steps"
    missing = served.client.post(f"{path}/pulse/photo", json={"photo": "0" * 64})
    assert missing.status_code == 404
    digest = handed_in(served, photo)
    assert served.client.post(f"{path}/nothing/photo", json={"photo": digest}).status_code == 404
    assert served.nobody().post(f"{path}/pulse/photo", json={"photo": digest}).status_code == 401


def test_without_the_extra_it_says_what_to_install_and_keying_goes_on(served, job, photo):
    class Missing:
        def read(self, *_given, **_more):
            raise MissingExtraError("reading photos", "photo", ["cv2"])

        def close(self):
            pass

    served.bench.photos.close()
    object.__setattr__(served.bench, "photos", Missing())
    digest = handed_in(served, photo)
    answer = served.client.post(f"/api/jobs/{job['job']}/steps/pulse/photo", json={"photo": digest})
    assert answer.status_code == 503
    assert "benchtally[photo]" in answer.json()["detail"]
    values = [{"id": str(new_id()), "typed": f"{each} µs"} for each in SIX]
    served.post(
        f"/api/jobs/{job['job']}/steps/pulse/key",
        seen=job["last"],
        display={"photos": [digest]},
        values=values,
        confirmed=True,
    )


def label_of(text):
    """Photograph a label with a Data Matrix on it."""
    code = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.DataMatrix)
    drawn = Image.fromarray(zxingcpp.write_barcode_to_image(code, scale=8)).convert("RGB")
    scene = Image.new("RGB", (800, 600), (120, 120, 110))
    scene.paste(drawn, (300, 200))
    out = io.BytesIO()
    scene.save(out, "JPEG")
    return out.getvalue()


def test_a_label_names_its_machine(served):
    served.register("fan-07", label="A-0042")
    served.register("fan-08")
    found = served.client.post("/api/labels", content=label_of("A-0042"))
    assert found.json() == {"machine": "fan-07", "codes": ["A-0042"]}
    assert (
        served.client.post("/api/labels", content=label_of("FAN-08")).json()["machine"] == "fan-08"
    )
    unknown = served.client.post("/api/labels", content=label_of("PUMP-3"))
    assert unknown.status_code == 404
    assert "no registered machine is named by 'PUMP-3'" in unknown.json()["detail"]
    assert served.client.post("/api/labels", content=b"no photo").status_code == 400
    assert served.nobody().post("/api/labels", content=label_of("FAN-08")).status_code == 401
    # It is not kept: nothing rests on it.
    assert not list(served.config.evidence_path.glob("**/*.jpg"))
