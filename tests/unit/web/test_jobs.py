"""Jobs over HTTP: what two people at two tablets can and cannot do."""

import pytest

from capture.model import new_id
from tests.unit.web.conftest import SIX


def key(served, job, values=SIX, status=201, client=None, **body):
    body = {
        "seen": body.pop("seen", job["last"]),
        "display": {"instrument": "pulse", "law": "period", **body.pop("display", {})},
        "values": [{"id": str(new_id()), "typed": typed} for typed in values],
        **body,
    }
    return served.post(f"/api/jobs/{job['job']}/steps/pulse/key", status, client, **body)


def pass_lock(served, job):
    """Pass the lock that holds pulses back while no insulation was taken."""
    return served.act(
        job, "overridden", step="pulse", lock="insulation", reason="tested at incoming inspection"
    )


def step(job, id_):
    return next(each for each in job["steps"] if each["id"] == id_)


def test_a_job_begins_with_its_cautions_and_its_first_step(served):
    job = served.start("after-rewind")
    assert any("lock it off" in each for each in job["cautions"])
    assert (job["status"], job["current"], job["done"]) == ("running", "resistance-u-v", 0)
    first = step(job, "resistance-u-v")
    assert first["cautions"]
    assert first["points"][0]["words"] == "first lead on U, second lead on V"
    assert job["sentence"].startswith("Nothing can be said yet")
    assert job["conditions"]["rotor"] == "out"


def test_what_a_person_sets_follows_from_the_nameplate_with_its_source(served):
    job = served.start("insulation-one-minute")
    (setting,) = step(job, "insulation")["settings"]
    # IEEE Std 43, table of test voltages (from public texts): 500 V below 1000 V rated.
    assert (setting["lowest"], setting["highest"]) == (500, 500)
    assert "IEEE Std 43" in setting["source"]
    (limit,) = step(job, "insulation")["limits"]
    # IEEE Std 43, 12.3 (from public texts): 5 MΩ for random-wound.
    assert limit["value"] == 5e6


def test_without_a_rated_voltage_no_voltage_is_named(served):
    served.register("fan-08", rated_volts=None, year=None)
    job = served.post(
        "/api/jobs", job=str(new_id()), machine="fan-08", procedure="insulation-one-minute"
    )
    told = step(job, "insulation")
    assert told["settings"][0]["lowest"] is None
    assert told["limits"] == []
    assert "rated voltage and year" in told["missing"][0]


def test_a_job_handed_in_twice_starts_once(served):
    served.register()
    body = {
        "id": str(new_id()),
        "job": str(new_id()),
        "machine": "fan-07",
        "procedure": "pulse-six-readings",
    }
    first = served.post("/api/jobs", **body)
    assert served.post("/api/jobs", **body)["last"] == first["last"]
    assert len(served.get("/api/jobs")["jobs"]) == 1
    served.post("/api/jobs", 409, **{**body, "id": str(new_id())})


def ids(page):
    return [each["job"] for each in page["jobs"]]


def test_a_page_of_jobs_goes_on_where_the_one_before_ended(served):
    started = [served.start() for _ in range(5)]
    order = [each["job"] for each in started][::-1]
    first = served.get("/api/jobs", limit=2)
    assert ids(first) == order[:2]
    second = served.get("/api/jobs", limit=2, before=first["next"])
    assert ids(second) == order[2:4]
    last = served.get("/api/jobs", limit=2, before=second["next"])
    assert (ids(last), last["next"]) == (order[4:], None)
    assert served.get("/api/jobs", limit=5)["next"] is None, "none is older"
    assert served.get("/api/jobs", before=1) == {"jobs": [], "next": None}
    served.act(started[0], "noted", text="dusty")
    assert ids(served.get("/api/jobs")) == [order[4], *order[:4]], "worked on last, first"


@pytest.mark.parametrize("asked", [{"limit": 0}, {"limit": 501}, {"before": 0}, {"before": "x"}])
def test_a_page_of_jobs_that_cannot_be_is_refused_in_a_line(served, asked):
    answer = served.client.get("/api/jobs", params=asked)
    assert answer.status_code == 400
    assert next(iter(asked)) in answer.json()["detail"]


def test_six_keyed_readings_with_a_photo_are_judged_at_once(served, photo):
    digest = served.client.post("/api/evidence", content=photo).json()["sha256"]
    job = pass_lock(served, served.start())
    after = key(served, job, display={"photos": [digest], "note": "warm winding"})
    taken = step(after, "pulse")
    assert taken["status"] == "taken"
    assert [each["point"] for each in taken["values"]] == [
        "U-V", "V-U", "V-W", "W-V", "W-U", "U-W",
    ]  # fmt: skip
    assert {each["operator"] for each in taken["values"]} == {"technician"}
    assert taken["values"][0]["photos"] == [digest]
    by_name = {each["name"]: each for each in after["results"]}
    deviation = next(each for name, each in by_name.items() if "pulse" in name)
    # (121.8 - 112.5) / 121.8, the means of the pairs' two directions.
    assert deviation["value"] == pytest.approx(7.636, abs=0.01)
    assert after["sentence"]
    assert after["suspicion"]["words"]


def test_values_confirmed_from_a_photo_keep_what_was_proposed(served, photo):
    digest = served.client.post("/api/evidence", content=photo).json()["sha256"]
    job = pass_lock(served, served.start())

    def confirmed(typed, photo):
        told = {"photo": photo, "proposed": "112.6 µs", "confidence": 0.9, "doubts": ["decimals"]}
        return {"id": str(new_id()), "typed": typed, "from_photo": told}

    missing = [confirmed(typed, "0" * 64) for typed in SIX]
    served.post(f"/api/jobs/{job['job']}/steps/pulse/key", 404, seen=job["last"], values=missing)
    values = [confirmed(typed, digest) for typed in SIX]
    path = f"/api/jobs/{job['job']}/steps/pulse/key"
    body = {"id": str(new_id()), "seen": job["last"], "values": values}
    assert served.post(path, **body)["last"] == served.post(path, **body)["last"]
    sources = [served.get(f"/api/readings/{value['id']}")["source"] for value in values]
    assert {source["kind"] for source in sources} == {"photo"}
    assert {source["operator"] for source in sources} == {"technician"}
    assert [source.get("corrected") for source in sources] == [None, *SIX[1:]]
    assert sources[0]["proposed"] == "112.6 µs"
    assert sources[0]["doubts"] == ["decimals"]


def test_double_submission_stores_nothing_twice(served):
    job = pass_lock(served, served.start())
    values = [{"id": str(new_id()), "typed": typed} for typed in SIX]
    body = {
        "id": str(new_id()),
        "seen": job["last"],
        "display": {"law": "period"},
        "values": values,
    }
    path = f"/api/jobs/{job['job']}/steps/pulse/key"
    first = served.post(path, **body)
    again = served.post(path, **body)
    assert again["last"] == first["last"]
    assert len(served.get("/api/readings")["readings"]) == 6


def test_whoever_has_not_seen_the_newest_entry_is_told_to_look_again(served):
    job = served.start()
    other = served.as_("foreman")
    served.act(job, "noted", text="first")
    answer = served.act(job, "noted", 409, client=other, text="second")
    assert answer["type"].endswith(":stale")
    seen = served.get(f"/api/jobs/{job['job']}")
    after = served.act(seen, "noted", client=other, text="second")
    assert after["notes"] == ["first", "second"]
    assert after["operators"] == ["foreman", "technician"]
    other.close()


def test_a_slip_of_a_prefix_is_asked_about_and_taken_when_confirmed(served):
    job = pass_lock(served, served.start())
    slipped = ("112.6 µs", "112.4 ms", *SIX[2:])
    asked = key(served, job, slipped, 422)
    assert asked["type"].endswith(":doubt")
    assert any("V-U 112.4 ms" in each["words"] for each in asked["doubts"])
    assert [each["meant"] for each in asked["doubts"]] == ["112.4 µs"]
    assert served.get("/api/readings")["readings"] == []
    after = key(served, job, slipped, confirmed=True)
    assert step(after, "pulse")["values"][1]["value"] == pytest.approx(0.1124)


def test_a_locked_step_says_by_what_and_an_override_is_an_entry(served):
    job = served.start()
    refused = key(served, job, status=423)
    assert refused["locks"][0]["name"] == "insulation"
    assert "take the insulation resistance first" in refused["detail"]
    after = key(served, pass_lock(served, job))
    assert step(after, "pulse")["overridden"] == ["insulation"]


def test_a_step_done_again_keeps_the_old_readings_with_the_reason(served):
    job = key(served, pass_lock(served, served.start()))
    redone = served.act(job, "redone", step="pulse", reason="lead slipped off")
    assert step(redone, "pulse")["status"] == "open"
    assert len(step(redone, "pulse")["superseded"]) == 6
    after = key(served, redone, [each.replace("121", "113") for each in SIX])
    assert len(step(after, "pulse")["values"]) == 6
    assert step(after, "pulse")["superseded"][0]["reason"] == "lead slipped off"


def test_a_stored_reading_is_taken_for_a_step_by_a_touch(served, draft):
    job = served.start("three-pair-resistance")
    path = f"/api/jobs/{job['job']}/steps/resistance-u-v/take"
    nothing = served.post(path, 400, seen=job["last"])
    assert "no reading of resistance has come" in nothing["detail"]
    made = draft()
    served.append(made)
    body = {"id": str(new_id()), "seen": job["last"]}
    after = served.post(path, **body)
    taken = step(after, "resistance-u-v")
    assert taken["values"][0]["reading"] == str(made.id)
    assert taken["how"] == "operator"
    assert taken["after"][0]["name"] == "ramp-down"
    assert served.post(path, **body)["last"] == after["last"]
    held = step(after, "resistance-v-w")["locks"]
    assert held[0]["name"] == "ramp-down"
    down = served.act(after, "ramped-down", step="resistance-u-v")
    assert step(down, "resistance-v-w")["locks"] == []
    (found,) = served.get("/api/readings", machine="fan-07")["readings"]
    assert found["tag"]["test_point"]["pair"] == "U-V"


def test_an_id_of_another_act_takes_nothing(served, draft):
    job = served.start("three-pair-resistance")
    other = str(new_id())
    job = served.post(
        f"/api/jobs/{job['job']}/acts",
        id=other,
        seen=job["last"],
        event={"action": "noted", "text": "clean"},
    )
    served.append(draft())
    path = f"/api/jobs/{job['job']}/steps/resistance-u-v/take"
    refused = served.post(path, 400, id=other, seen=job["last"])
    assert "belongs to another entry" in refused["detail"]


def test_after_a_test_voltage_the_winding_waits_for_its_discharge(served, draft):
    job = served.start("insulation-one-minute")
    served.append(draft(quantity="insulation_resistance", unit="Ohm", value=8.5e8))
    path = f"/api/jobs/{job['job']}/steps/insulation/take"
    after = served.post(path, seen=job["last"], applied_seconds=60)
    waiting = step(after, "insulation")["after"]
    assert waiting[0]["name"] == "discharge"
    assert "240 s more" in waiting[0]["words"]
    early = served.act(after, "discharged", 423, step="insulation")
    assert early["locks"][0]["until"]
    served.clock.advance(241)
    done = served.act(after, "discharged", step="insulation")
    assert step(done, "insulation")["after"] == []


def test_a_discharge_that_another_job_owes_stands_before_everything_else(served):
    """Once with the way to that job, though it locks a step that has a lock of its own too."""
    tested = served.act(
        served.start("insulation-one-minute"), "applied", step="insulation", seconds=60
    )
    job = served.start("insulation-one-minute")
    job = served.act(job, "applied", step="insulation", seconds=20)
    assert [each["job"] for each in job["steps"][0]["locks"]] == [tested["job"], None]
    page = served.client.get(f"/jobs/{job['job']}").text
    first = page.index(f"in job {tested['job']} of this machine, step insulation")
    assert first < page.index("Keep the winding earthed until the time is over")
    assert f'<a href="/jobs/{tested["job"]}">Go to that job</a>' in page
    assert page.count("Go on without it, on your own responsibility") == 1
    refused = served.post(f"/api/jobs/{job['job']}/steps/insulation/take", 400, seen=job["last"])
    assert "no reading" in refused["detail"]
    served.clock.advance(241)
    served.act(tested, "discharged", step="insulation")
    served.act(job, "discharged", step="insulation")
    page = served.client.get(f"/jobs/{job['job']}").text
    assert "From another job of this machine" not in page
    assert "Go on without it" not in page


def test_a_job_that_the_bench_does_not_follow_says_so(served):
    """A reading is taken for the job that was worked on last: leads on this one serve the other."""
    job = served.start("three-pair-resistance")
    served.seen = served.seen.__class__(job="another", reason="waiting for a reading")
    page = served.client.get(f"/jobs/{job['job']}").text
    assert 'Hands-free capture follows <a href="/jobs/another">another job</a>' in page
    assert "Let it follow this one</button>" in page
    served.seen = served.seen.__class__(job=job["job"], reason="waiting for a reading")
    assert "Hands-free capture follows" not in served.client.get(f"/jobs/{job['job']}").text


def test_steps_in_any_order_then_finished_and_signed_off(served):
    job = served.start("after-rewind")
    job = served.act(job, "selected", step="pulse")
    assert job["current"] == "pulse"
    job = served.act(job, "skipped", step="pulse", reason="no pulses on this winding today")
    assert job["current"] == "resistance-u-v"
    job = served.act(job, "paused", reason="end of the shift")
    assert served.act(job, "selected", 400, step="insulation")["detail"].startswith("the job is")
    job = served.act(job, "resumed")
    job = served.act(job, "finished")
    job = served.act(job, "signed-off", statement="seen and found in order")
    assert job["status"] == "signed-off"
    assert served.act(job, "noted", 400, text="too late")
    assert served.get("/api/machines/fan-07")["jobs"][0]["status"] == "signed-off"


@pytest.mark.parametrize(
    "event",
    [
        {"action": "started", "machine": "fan-07", "procedure": {}},
        {"action": "taken", "step": "pulse", "readings": [], "how": "keyed"},
        {"action": "exploded"},
        {"action": "redone", "step": "pulse"},
        {},
    ],
)
def test_acts_that_have_a_way_of_their_own_or_do_not_exist_are_refused(served, event):
    job = served.start()
    path = f"/api/jobs/{job['job']}/acts"
    assert served.post(path, 400, seen=job["last"], event=event)["detail"]
    assert served.get(f"/api/jobs/{job['job']}")["last"] == job["last"]


def test_a_machine_keeps_its_history(served):
    served.register(year=2004)
    served.register(year=2005)
    found = served.get("/api/machines/fan-07")
    assert found["nameplate"]["year"] == 2005
    assert [each["nameplate"]["year"] for each in found["history"]] == [2004, 2005]
    served.register("line 2/fan 3")
    assert served.get("/api/machines/line 2/fan 3")["machine"] == "line 2/fan 3"


def test_registering_a_machine_again_by_mistake_does_not_wipe_its_nameplate(served):
    body = {"id": str(new_id()), "machine": "fan-07", "nameplate": {"year": 2004}, "new": True}
    served.post("/api/machines", **body)
    served.post("/api/machines", **body)  # handed in twice, after a lost connection
    for name, words in (("fan-07", "is registered already"), ("FAN-07", "in capitals only")):
        told = served.post("/api/machines", 400, machine=name, nameplate={}, new=True)
        assert words in told["detail"]
    found = served.get("/api/machines/fan-07")
    assert [each["nameplate"]["year"] for each in found["history"]] == [2004]
    assert len(served.get("/api/machines")) == 1
    # Changed after an answer that was lost: the try before is not somebody else's description.
    changed = {**body, "id": str(new_id()), "nameplate": {"year": 2005}, "earlier": [body["id"]]}
    served.post("/api/machines", **changed)
    again = {**changed, "id": str(new_id())}
    assert "already" in served.post("/api/machines", 400, **again)["detail"]
    assert '<input type="hidden" name="new" value="true">' in served.client.get("/machines").text


def test_a_name_with_dots_between_slashes_is_no_way_to_another_machine(served):
    """A browser would make /machines/B of /machines/A/../B before it asks."""
    served.start(machine="A/../B")
    for page in ("/machines", "/jobs", "/"):
        assert 'href="/machines/A/' not in served.client.get(page).text
    assert 'href="/machines/A%2F..%2FB"' in served.client.get("/machines").text
    assert "<h1>A/../B</h1>" in served.client.get("/machines/A%2F..%2FB").text


def test_the_procedures_are_listed_and_a_path_is_none_of_them(served, tmp_path, monkeypatch):
    monkeypatch.setenv("BENCHTALLY_PROCEDURES", str(tmp_path))
    (tmp_path / "own.toml").write_text("schema_version = 2", "utf-8")
    listed = {each["name"]: each for each in served.get("/api/procedures")}
    assert listed["after-rewind"]["steps"] == 8
    assert listed["own"]["faults"]
    assert served.client.get("/api/procedures/%2fetc%2fpasswd").status_code in (400, 404)
    body = {"machine": "fan-07", "procedure": "own", "job": str(new_id())}
    served.register()
    assert "schema_version" in served.post("/api/jobs", 400, **body)["detail"]


@pytest.mark.parametrize("ended", ["paused", "finished", "signed-off"])
def test_what_is_to_be_done_after_a_voltage_stands_on_the_page_whatever_the_job_is(served, ended):
    """Nobody signs, or goes for the day, past a winding that nobody has called discharged."""
    job = served.start("insulation-one-minute")
    job = served.act(job, "applied", step="insulation", seconds=60)
    if ended == "paused":
        served.act(job, "paused", reason="end of the shift")
    else:
        job = served.act(job, "finished")
    page = served.client.get(f"/jobs/{job['job']}").text
    first = page.index("Keep the winding earthed until the time is over")
    if ended == "paused":
        assert first < page.index("The job is paused")
    else:
        caution = page.index("where a test still runs, end it before anything else")
        assert first < caution < page.index("Sign off</button>")
    if ended == "signed-off":
        served.act(job, "signed-off")
        page = served.client.get(f"/jobs/{job['job']}").text
        first = page.index("Keep the winding earthed until the time is over")
        assert first < page.index("Signed off</h2>")
        assert "The winding was discharged</button>" in page


def test_nothing_is_said_of_a_discharge_where_none_is_open(served):
    job = served.act(served.start("insulation-one-minute"), "finished")
    page = served.client.get(f"/jobs/{job['job']}").text
    assert "Keep the winding earthed until" not in page
    assert "where a test still runs" not in page
