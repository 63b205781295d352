"""What pages tell a person of the bench's own state, and which fields they have."""

import html
import re

import pytest

from capture.journal.upkeep import Health as Journal
from capture.model import new_id
from capture.model.machine import Nameplate
from capture.operation import Facts
from capture.publish import Report
from capture.web.pages.instruments import away_for
from capture.web.pages.upkeep import upkeep
from tests.unit.web.conftest import SIX

STEP = {"id": "resistance-u-v", "instrument": None, "quantity": "resistance"}
READ = [{"quantity": "resistance"}]


def instrument(name, state, last=READ):
    return {"instrument": name, "state": state, "last": last}


def watch(instrument, step="resistance-u-v"):
    return {"step": step, "instrument": instrument}


def test_a_machine_described_anew_on_its_page_loses_nothing(served):
    """What the form has no field for would be gone: a description replaces the one before."""
    page = served.client.get("/machines").text
    for name in Nameplate.model_fields:
        assert f'name="nameplate.{name}"' in page, name


def test_a_machine_with_one_job_is_compared_with_another_not_with_itself(served):
    sister = served.start(machine="fan-06")
    job = served.start(machine="fan-07")
    page = served.client.get("/machines/fan-07").text
    first, second = re.findall(r'<option value="([0-9a-f-]{36})" selected>', page)
    assert (first, second) == (sister["job"], job["job"])


def test_a_sister_is_registered_from_what_the_plates_share(served):
    served.register("fan-07", serial="B 4711", label="L 1", rated_amperes=28.5)
    page = served.client.get("/machines/fan-07").text
    assert 'href="/machines?like=fan-07#register"' in page
    assert "serial B 4711" in page
    form = served.client.get("/machines?like=fan-07").text.partition("Register a machine like")[2]
    assert 'name="nameplate.rated_amperes"' in form
    assert 'value="28.5"' in form
    assert "B 4711" not in form
    assert "L 1" not in form
    assert 'data-draft="machine/fan-07"' in form
    assert served.client.get("/machines?like=fan-99").status_code == 404


def test_nobody_starts_a_procedure_without_having_chosen_it(served):
    served.register("fan-07")
    page = served.client.get("/jobs").text
    assert '<select id="procedure" name="procedure" required>\n        <option value="">' in page
    assert page.count('<option value="">choose</option>') == 1  # there is one machine only
    served.register("fan-08")
    assert served.client.get("/jobs").text.count('<option value="">choose</option>') == 2
    assert served.client.get("/jobs?machine=fan-08").text.count('<option value="">choose') == 1


def test_the_page_of_jobs_goes_on_with_older_ones(served, monkeypatch):
    monkeypatch.setattr("capture.web.pages.jobs._PAGE", 2)
    started = [served.start()["job"] for _ in range(3)]
    address = "/jobs?machine=fan-07"
    first = served.client.get(address).text
    assert [each in first for each in started] == [False, True, True]
    assert "Newest" not in first
    (older,) = re.findall(r'rel="next" href="([^"]+)">Older<', first)
    second = served.client.get(html.unescape(older)).text
    assert [each in second for each in started] == [True, False, False]
    assert "Older" not in second
    assert "<option selected>fan-07" in second, "what was chosen is still chosen"
    (newest,) = re.findall(r'href="([^"]+)">Newest<', second)
    assert served.client.get(html.unescape(newest)).text == first
    assert "No job is older." in served.client.get("/jobs?before=1").text


def test_the_page_for_setting_up_says_where_the_configuration_lies(served):
    assert f"<code>{served.config.folder}</code>" in served.client.get("/setup").text


@pytest.mark.parametrize(
    ("path", "status", "said"),
    [
        ("/nowhere", 404, "Not Found."),
        ("/machines/fan-99", 404, "Machine &#39;fan-99&#39; is not registered; register it first."),
        ("/jobs/no-job", 400, "should be a valid UUID"),
    ],
)
def test_an_address_that_leads_nowhere_gives_a_person_a_page(served, path, status, said):
    answer = served.client.get(path, headers={"Accept": "text/html,*/*;q=0.8"})
    assert answer.status_code == status
    assert answer.headers["content-type"].startswith("text/html")
    assert said in answer.text
    assert "To the bench" in answer.text
    assert "data-after" not in answer.text  # or it would be told of every entry of the journal


@pytest.mark.parametrize(("path", "accept"), [("/nowhere", "*/*"), ("/api/x", "text/html")])
def test_an_address_that_leads_nowhere_gives_a_program_a_problem(served, path, accept):
    answer = served.client.get(path, headers={"Accept": accept})
    assert answer.json()["type"] == "urn:benchtally:problem:not-found"


# ── storing and delivering ───────────────────────────────────────────────────────────────────


def test_all_is_well_and_nothing_is_said():
    facts = Facts(
        journal=Journal(free_bytes=1 << 40), publishers={"broker": Report(connected=True)}
    )
    assert upkeep(facts) == []


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        (Facts(journal=Journal(taking=False, reason="the disk is full")), "The disk is full."),
        (Facts(journal=Journal(free_bytes=3 << 20)), "nearly full: 3 MiB free"),
        (Facts(damaged="row 5 missing from index"), "damaged: Row 5 missing from index."),
        (Facts(publishers={"broker": Report(reason="refused", backlog=48)}), "delivered: 48."),
        (Facts(publishers={"plant": Report(connected=True, paused="no access")}), "No access."),
        (Facts(publishers={"plant": Report()}), "There is no connection yet."),
        (Facts(publishers={"plant": Report(connected=True, nobody_listens=True)}), "nobody"),
    ],
)
def test_what_wants_a_person_is_said_in_a_line(facts, said):
    (line,) = upkeep(facts)
    assert said in line.words
    assert line.urgent is (said != "nobody")


def test_the_bench_page_says_that_nothing_is_delivered_and_which_step_is_asked_for(served):
    served.facts = Facts(publishers={"broker": Report(reason="<refused>", backlog=48)})
    served.register()
    served.start("three-pair-resistance")
    page = served.client.get("/").text
    assert "Not delivered now (broker): &lt;refused&gt;." in page
    assert '<p class="step">Resistance U-V.</p>' in page


def test_the_bench_page_says_what_a_voltage_has_left_before_the_step_that_is_asked_for(served):
    """It named the next step and said that a reading was waited for, with the winding charged."""
    tested = served.start("insulation-one-minute")
    tested = served.act(tested, "applied", step="insulation", seconds=60)
    told = f'prove it discharged, then confirm it there, before anything is touched. <a href="/jobs/{tested["job"]}">'
    served.start("three-pair-resistance")  # of the same machine, worked on last
    page = served.client.get("/").text
    assert page.count("keep the winding earthed") == 1
    assert 0 < page.index(told) < page.index('<p class="step">Resistance U-V.</p>')
    # Another machine is asked for, and this one is charged all the same.
    served.start("three-pair-resistance", machine="fan-08")
    assert told in served.client.get("/").text
    served.clock.advance(241)
    served.act(tested, "discharged", step="insulation")
    assert "keep the winding earthed" not in served.client.get("/").text


def test_a_machines_page_says_what_a_voltage_has_left_on_it_before_a_job_is_begun(served):
    tested = served.start("insulation-one-minute")
    served.act(tested, "applied", step="insulation", seconds=60)
    page = served.client.get("/machines/fan-07").text
    assert 0 < page.index("keep the winding earthed") < page.index("Start a job")
    served.register("fan-08")
    assert "keep the winding earthed" not in served.client.get("/machines/fan-08").text


def test_the_bench_page_says_that_a_current_flows_before_the_step_that_is_asked_for(served):
    job = served.start("three-pair-resistance")
    assert "ramp the meter's current down" not in html.unescape(served.client.get("/").text)
    path = f"/api/jobs/{job['job']}/steps/resistance-u-v/key"
    values = [{"id": str(new_id()), "typed": "0.842 Ω"}]
    served.post(path, seen=job["last"], values=values)
    page = html.unescape(served.client.get("/").text)
    assert 0 < page.index("ramp the meter's current down") < page.index('<p class="step">')


# ── an instrument that cannot be heard ───────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("step", "seen", "away"),
    [
        (STEP, watch("ohm-1"), ["ohm-1"]),
        (STEP, watch("ohm-2"), []),  # another one was heard for it
        (STEP, watch("ohm-1", step="another"), ["ohm-1"]),
        (STEP, None, ["ohm-1"]),
        ({**STEP, "instrument": "ohm-2"}, watch("ohm-1"), []),
        ({**STEP, "quantity": "inductance"}, None, []),
        (None, None, []),
    ],
)
def test_an_instrument_that_a_step_waits_for_and_that_is_away_is_named(step, seen, away):
    bench = [
        instrument("ohm-1", "waiting"),
        instrument("ohm-2", "running"),
        instrument("pulse-tester", None),
    ]
    assert [each["instrument"] for each in away_for(step, seen, bench)] == away


# ── taken, and not computed ──────────────────────────────────────────────────────────────────


def key(served, job, step, typed, elapsed=None, **more):
    values = [{"id": str(new_id()), "typed": each} for each in typed]
    for value, at in zip(values, elapsed or (), strict=False):
        value["elapsed"] = at
    path = f"/api/jobs/{job['job']}/steps/{step}/key"
    served.post(path, seen=job["last"], values=values, **more)
    return served.client.get(f"/jobs/{job['job']}").text


def test_insulation_without_a_temperature_is_said_to_be_taken_and_what_it_lacks(served):
    job = served.start("insulation-one-minute")
    assert "but not computed" not in served.client.get(f"/jobs/{job['job']}").text
    told = key(served, job, "insulation", ("498 MΩ", "650 MΩ", "868 MΩ"), (15, 30, 60))
    assert "Insulation resistance is taken, but not computed" in told
    assert "give the winding temperature, under the conditions." in told
    (found,) = served.client.get(f"/api/jobs/{job['job']}").json()["uncomputed"]
    assert (found["quantity"], found["condition"]) == ("insulation_resistance", "winding_celsius")


def test_a_pulse_time_above_range_is_named_by_its_leads(served):
    job = served.start("pulse-six-readings")
    job = served.act(job, "overridden", step="pulse", lock="insulation", reason="tested before")
    told = key(served, job, "pulse", (*SIX[:5], "OL"), confirmed=True)
    assert "Pulse time is taken, but not computed: U-W is above-range" in told


@pytest.mark.parametrize(
    ("procedure", "asked"), [("three-pair-inductance", True), ("three-pair-resistance", False)]
)
def test_what_a_bridge_measures_is_keyed_with_its_frequency(served, procedure, asked):
    served.register("fan-07")
    job = served.start(procedure)["job"]
    page = served.client.get(f"/jobs/{job}", headers={"Accept": "text/html"}).text
    field = 'name="display.conditions.frequency"'
    assert (field in page) is asked
    if not asked:
        return
    served.post(
        f"/api/jobs/{job}/steps/inductance-u-v/key",
        seen=served.get(f"/api/jobs/{job}")["last"],
        display={"conditions": {"frequency": "1 kHz"}},
        values=[{"id": str(new_id()), "typed": "21.93 mH"}],
    )
    (found,) = served.get("/api/readings", machine="fan-07")["readings"]
    assert found["conditions"] == {"frequency": {"value": 1000.0, "unit": "Hz"}}


def test_a_loss_is_keyed_beside_an_inductance_and_the_next_pair_begins_as_this_one_was(served):
    served.register("fan-07")
    job = served.start("three-pair-inductance")["job"]
    value = {"id": str(new_id()), "typed": "21.93"}
    value["loss"] = {"id": str(new_id()), "typed": "29.1"}
    path = f"/api/jobs/{job}/steps/inductance-u-v/key"
    shown = {"unit": "mH", "instrument": "bridge", "conditions": {"frequency": "1 kHz"}}
    body = {"seen": served.get(f"/api/jobs/{job}")["last"], "values": [value]}
    refused = served.post(path, 400, display=shown, **body)
    assert "does not say which loss it is" in refused["detail"]
    told = served.post(path, display={**shown, "loss": "Rs Ω"}, **body)
    assert [each["quantity"] for each in told["steps"][0]["values"]] == ["inductance", "resistance"]
    assert told["steps"][1]["remembered"]["frequency"] == "1 kHz"
    page = served.client.get(f"/jobs/{job}", headers={"Accept": "text/html"}).text
    for field in (
        'name="display.conditions.frequency" autocomplete="off"',
        'value="1 kHz" required',
        '<option value="Rs Ω" selected>',
        '<option value="series" selected>',
        "<option selected>mH</option>",
        'name="display.instrument" value="bridge"',
        "Filled in as it was at Inductance U-V: change what is different here.",
    ):
        assert field in page, field


def test_a_loss_is_keyed_outside_a_job_too(served):
    served.register("fan-07")
    value = {"id": str(new_id()), "typed": "62.1 mH", "point": "U-V"}
    value["loss"] = {"id": str(new_id()), "typed": "Q 13.4"}
    body = {"quantity": "inductance", "machine": "fan-07", "values": [value]}
    told = served.client.post("/api/keyed", json=body).json()
    assert [each["quantity"] for each in told["readings"]] == ["inductance", "quality_factor"]
    value |= {"id": str(new_id()), "loss": {"id": str(new_id()), "typed": "D 13.4"}}
    asked = served.client.post("/api/keyed", json=body)
    assert asked.status_code == 422
    assert "windings mostly have a Q" in asked.json()["doubts"][0]["words"]
