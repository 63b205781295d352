"""Health for anybody, metrics for programs of this computer, in the words of OpenMetrics."""

from datetime import UTC, datetime

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from starlette.requests import Request

from capture.config import WebConfig
from capture.journal.upkeep import Health as Journal
from capture.operation import Facts, HandsFree
from capture.publish import Report
from capture.runtime import Snapshot, State
from capture.web.metrics import _is_local

NOON = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)


def snapshot(name, state=State.RUNNING, **members):
    return Snapshot(name, state, "", NOON, "memory", **members)


def parsed(text):
    """Give every sample by name and labels, as an outside parser of OpenMetrics 1.0 reads them."""
    families = list(text_string_to_metric_families(text))
    assert len({each.name for each in families}) == len(families)
    return {
        (sample.name, *sorted(sample.labels.items())): sample.value
        for family in families
        for sample in family.samples
    }


# ── health ───────────────────────────────────────────────────────────────────────────────────


def test_anybody_may_ask_how_the_bench_is(served):
    answer = served.nobody().get("/health")
    assert (answer.status_code, answer.json()) == (200, {"status": "ok", "reasons": []})
    assert answer.headers["cache-control"] == "no-store"


def test_a_degraded_bench_answers_200_and_a_failing_one_503(served):
    client = served.nobody()
    served.facts = Facts(publishers={"plant": Report(connected=True, paused="no access to x")})
    answer = client.get("/health")
    assert (answer.status_code, answer.json()) == (
        200,
        {"status": "degraded", "reasons": ["publishers: 1 of 1 paused"]},
    )
    served.facts = Facts(journal=Journal(taking=False, reason="the disk is full at /secret"))
    answer = client.get("/health")
    assert answer.status_code == 503
    assert answer.json() == {"status": "failing", "reasons": ["journal: takes nothing"]}


def test_a_journal_that_cannot_be_read_is_failing(served):
    served.config.journal_path.rename(served.config.folder / "away")
    try:
        answer = served.nobody().get("/health")
    finally:
        (served.config.folder / "away").rename(served.config.journal_path)
    assert answer.status_code == 503
    assert answer.json()["reasons"] == ["journal: cannot be read"]


# ── metrics ──────────────────────────────────────────────────────────────────────────────────


def test_everything_that_is_counted_can_be_read_by_an_outside_parser(served, drafts):
    served.append(*drafts(3))
    served.facts = Facts(
        journal=Journal(commits=7, refused=1, log_bytes=4096, free_bytes=1 << 40, reserve="held"),
        publishers={
            "broker": Report(
                connected=True, delivered=2, backlog=1, dead_letters=4, refused=5, resent=6
            ),
            "plant": Report(paused="not authorised", requests_refused=8, unheard=9),
        },
        instruments=(
            snapshot("ohm-1", readings=3, malformed=2, unanswered=1, last_reading=NOON),
            snapshot("ohm-2", State.FAILED),
        ),
        silent=("ohm-2",),
        ages={"journal": 0.25},
        hands_free=HandsFree(taken=11, not_taken=2),
    )
    answer = served.nobody().get("/metrics")
    assert answer.status_code == 200
    # OpenMetrics 1.0, "Protocol negotiation" and "Overall structure": the type, and an EOF line.
    assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    assert answer.text.endswith("# EOF\n")
    found = parsed(answer.text)
    one, broker, plant = ("instrument", "ohm-1"), ("publisher", "broker"), ("publisher", "plant")
    expected = {
        ("benchtally_readings_total", one): 3,
        ("benchtally_malformed_total", one): 2,
        ("benchtally_unanswered_total", one): 1,
        ("benchtally_last_reading_timestamp_seconds", one): NOON.timestamp(),
        ("benchtally_instrument_state", ("benchtally_instrument_state", "running"), one): 1,
        ("benchtally_instrument_state", ("benchtally_instrument_state", "failed"), one): 0,
        ("benchtally_instrument_silent", one): 0,
        ("benchtally_instrument_silent", ("instrument", "ohm-2")): 1,
        ("benchtally_journal_entries",): 3,
        ("benchtally_journal_taking",): 1,
        ("benchtally_journal_commits_total",): 7,
        ("benchtally_journal_refused_total",): 1,
        ("benchtally_journal_log_bytes",): 4096,
        ("benchtally_journal_reserve_held",): 1,
        ("benchtally_disk_free_bytes",): 1 << 40,
        ("benchtally_publisher_connected", broker): 1,
        ("benchtally_publisher_delivered_entries", broker): 2,
        ("benchtally_publisher_backlog", broker): 1,
        ("benchtally_publisher_dead_letters", broker): 4,
        ("benchtally_publisher_refused_total", broker): 5,
        ("benchtally_publisher_resent_total", broker): 6,
        ("benchtally_publisher_paused", broker): 0,
        ("benchtally_publisher_paused", plant): 1,
        ("benchtally_publisher_requests_refused_total", plant): 8,
        ("benchtally_publisher_unheard_total", plant): 9,
        ("benchtally_heartbeat_age_seconds", ("part", "journal")): 0.25,
        ("benchtally_hands_free_taken_total",): 11,
        ("benchtally_hands_free_not_taken_total",): 2,
        ("benchtally_web_streams",): 0,
        ("benchtally_health", ("benchtally_health", "degraded")): 1,
        ("benchtally_health", ("benchtally_health", "ok")): 0,
    }
    assert {key: found.get(key) for key in expected} == expected
    assert ("benchtally_last_reading_timestamp_seconds", ("instrument", "ohm-2")) not in found
    names = {key[0] for key in found}
    assert {"process_start_time_seconds", "process_resident_memory_bytes"} <= names
    assert "benchtally_build_info" in names


def test_no_text_from_outside_is_a_label(served):
    served.facts = Facts(
        publishers={"broker": Report(reason="BROKER-SAID", paused="BROKER-SAID")},
        instruments=(snapshot("ohm-1", identity="INSTRUMENT-SAID"),),
        damaged="SQLITE-SAID",
    )
    text = served.nobody().get("/metrics").text
    assert "SAID" not in text
    labels = {pair[0] for key in parsed(text) for pair in key[1:]}
    assert labels == {
        "benchtally_health",
        "benchtally_instrument_state",
        "instrument",
        "publisher",
        "python",
        "version",
    }


def test_a_journal_that_cannot_be_read_leaves_the_other_metrics(served):
    served.config.journal_path.rename(served.config.folder / "away")
    try:
        found = parsed(served.nobody().get("/metrics").text)
    finally:
        (served.config.folder / "away").rename(served.config.journal_path)
    assert ("benchtally_journal_entries",) not in found
    assert found["benchtally_health", ("benchtally_health", "failing")] == 1


def test_metrics_are_for_this_computer_unless_said_otherwise():
    assert WebConfig().metrics == "loopback"


@pytest.mark.parametrize("header", ["X-Forwarded-For", "Forwarded", "X-Real-IP"])
def test_whoever_comes_through_a_relay_is_not_of_this_computer(served, header):
    answer = served.nobody(headers={header: "198.51.100.7"}).get("/metrics")
    assert answer.status_code == 404
    assert "benchtally_" not in answer.text


@pytest.mark.parametrize(
    ("client", "local"),
    [
        (("127.0.0.1", 5), True),
        (("127.8.8.8", 5), True),
        (("::1", 5), True),
        (("192.0.2.7", 5), False),
        (("2001:db8::1", 5), False),
        (("testclient", 5), False),
        (None, False),
    ],
)
def test_only_a_loopback_address_is_of_this_computer(client, local):
    assert _is_local(Request({"type": "http", "headers": [], "client": client})) is local


def test_with_session_they_are_behind_the_door(make_served):
    behind = make_served(metrics="session")
    assert behind.nobody().get("/metrics").status_code in (303, 401)
    assert behind.client.get("/metrics").text.endswith("# EOF\n")


def test_where_they_are_off_they_are_nowhere(make_served):
    off = make_served(metrics="off")
    assert off.nobody().get("/metrics").status_code in (303, 401)
    assert off.client.get("/metrics").status_code == 404


# ── the clock, of what is keyed ──────────────────────────────────────────────────────────────


@pytest.mark.parametrize("said", [True, False, None])
def test_keyed_readings_carry_whether_the_clock_was_synchronised(served, said):
    served.clock.says_synchronised = said
    display = {"instrument": "bridge"}
    values = [{"id": "0195c0de-0000-7000-8000-000000000001", "typed": "0.842 Ω"}]
    body = {"display": display, "quantity": "resistance", "values": values}
    assert served.client.post("/api/keyed", json=body).status_code == 201
    (reading,) = served.get("/api/readings")["readings"]
    assert reading.get("clock_synchronised") is said
