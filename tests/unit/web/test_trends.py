"""Trends, comparisons and exports over HTTP, and the pages that show them."""

import io
import re
import shutil
import xml.etree.ElementTree as ET

import openpyxl
import pytest

from capture.jobs.service import Who
from capture.jobs.trends import machine_trends
from capture.model import new_id
from tests.unit.records.conftest import RecordBench
from tests.unit.web.conftest import Served

YEAR = 365.25 * 86400


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """The folder of a bench whose machine has four jobs; its insulation is on its way down."""
    folder = tmp_path_factory.mktemp("fan")
    made = RecordBench(folder)
    jobs = []
    for year in range(4):
        made.do_job(angles=(), insulation=0.02 * 0.5**year)
        made.sign_off()
        jobs.append(str(made.job))
        made.clock.advance(YEAR)
    made.close()
    return folder, jobs


@pytest.fixture
def fan(filled, tmp_path):
    """That bench, served."""
    folder, jobs = filled
    shutil.copytree(folder, tmp_path / "bench")
    served = Served(tmp_path / "bench")
    served.jobs = jobs
    yield served
    served.close()


def test_trends_as_json(fan):
    found = fan.get("/api/trends/FAN-07")
    assert found["machine"] == "FAN-07"
    (insulation,) = [
        each for each in found["trends"] if each["quantity"] == "insulation_resistance"
    ]
    assert insulation["direction"] == "falling"
    assert insulation["crosses"] > insulation["points"][-1]["time"]
    earlier = fan.get("/api/trends/FAN-07", until=fan.jobs[1])
    assert {len(each["points"]) for each in earlier["trends"]} == {2}
    assert fan.client.get("/api/trends/FAN-99").status_code == 404


def test_a_comparison_as_json(fan):
    found = fan.get("/api/comparison", first=fan.jobs[0], second=fan.jobs[3])
    assert (found["first"]["job"], found["second"]["job"]) == (fan.jobs[0], fan.jobs[3])
    answer = fan.client.get("/api/comparison", params={"first": fan.jobs[0], "second": fan.jobs[0]})
    assert (answer.status_code, answer.json()["detail"]) == (
        400,
        "a job compared with itself tells nothing; name two jobs",
    )


@pytest.mark.parametrize("form", ["csv", "jsonl", "xlsx", "parquet"])
@pytest.mark.parametrize("what", ["readings", "results", "trends"])
def test_exports(fan, what, form):
    answer = fan.client.get(f"/api/export/{what}.{form}", params={"machine": "FAN-07"})
    assert answer.status_code == 200
    assert answer.headers["content-disposition"] == f'attachment; filename="{what}-FAN-07.{form}"'
    assert int(answer.headers["content-length"]) == len(answer.content) > 200
    if form == "xlsx":
        assert openpyxl.load_workbook(io.BytesIO(answer.content)).sheetnames == [what, "about"]


def test_exports_that_cannot_be(fan):
    for query in (
        {"job": fan.jobs[0], "machine": "FAN-08"},
        {"machine": "a\nb"},
        {"since": "soon"},
        {"since": "9999-12-31T23:59:59-14:00"},
        {"until": "0001-01-01T00:00:00+14:00"},
    ):
        assert fan.client.get("/api/export/readings.csv", params=query).status_code == 400
    assert fan.client.get("/api/export/photos.csv").status_code == 400
    # Nobody gets anything without a session.
    assert fan.nobody().get("/api/export/readings.csv").status_code == 401


def test_the_page_of_the_machine_shows_trends_and_their_pictures(fan):
    text = fan.client.get("/machines/FAN-07").text
    assert "Insulation resistance after 60 s, at 40 °C" in text
    assert re.search(r"≥ 5 MΩ; reached \d{4}-\d\d-\d\d", text)
    (path, *_) = re.findall(r'src="(/trends/[^"]+)"', text)
    picture = fan.client.get(path.replace("&amp;", "&"))
    assert picture.headers["content-type"] == "image/svg+xml"
    ET.fromstring(picture.text)
    assert fan.client.get("/trends/trend-77.svg?machine=FAN-07").status_code == 404
    assert f'<option value="{fan.jobs[3]}" selected>' in text


def test_a_page_and_its_pictures_are_computed_once(fan, monkeypatch):
    asked = []

    def counted(desk, machine, **more):
        asked.append(machine)
        return machine_trends(desk, machine, **more)

    monkeypatch.setattr("capture.web.pages.machines.machine_trends", counted)
    text = fan.client.get("/machines/FAN-07").text
    paths = re.findall(r'src="(/trends/[^"]+)"', text)
    assert paths
    for path in paths * 2:
        assert fan.client.get(path.replace("&amp;", "&")).status_code == 200
    assert asked == ["FAN-07"]


def test_a_picture_of_a_page_that_is_forgotten_is_computed_anew(fan):
    (path, *_) = re.findall(r'src="(/trends/[^"]+)&', fan.client.get("/machines/FAN-07").text)
    at_once = fan.client.get(path)
    for n in (1, 10**9, -1):
        assert fan.client.get(f"{path}&n={n}").text == at_once.text


def test_what_comes_after_a_page_is_on_the_next_one(fan):
    before = fan.client.get("/machines/FAN-07").text
    fan.client.get("/machines/FAN-07")
    with fan.bench.desk() as desk:
        described = desk.service.machine("FAN-07")
        desk.service.register("FAN-07", described.nameplate, Who("technician", new_id()), "cleaned")
    after = fan.client.get("/machines/FAN-07").text
    numbers = [re.search(r"/trends/[^\"]+n=(\d+)", text).group(1) for text in (before, after)]
    assert int(numbers[0]) < int(numbers[1])


def test_the_readings_page_offers_what_it_shows(fan):
    text = fan.client.get(
        "/readings?quantity=resistance&machine=FAN-07&until=2027-01-01T00:00"
    ).text
    (address,) = re.findall(r'href="(/api/export/readings.csv[^"]+)"', text)
    answer = fan.client.get(address.replace("&amp;", "&"))
    # Three pairs of the first job, and the reading that was superseded: it stays one of the fan.
    rows = answer.text.splitlines()[1:]
    assert len(rows) == 4
    assert all(",resistance," in row for row in rows)


def test_the_page_of_two_jobs(fan):
    text = fan.client.get(f"/compare?first={fan.jobs[0]}&second={fan.jobs[3]}").text
    assert "Two jobs beside each other" in text
    assert "-87.50 %" in text
    assert f"/compare?first={fan.jobs[3]}&amp;second={fan.jobs[0]}" in text
