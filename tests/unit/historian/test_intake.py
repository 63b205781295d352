"""Messages to rows: what the schemas' own examples allow is taken, and nothing else."""

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.historian.intake import COLUMNS, UnfitMessage, row_of

EXAMPLES = Path(__file__).parents[3] / "schemas" / "examples"
TABLES = {
    "reading": "readings",
    "tag": "tags",
    "gap": "interruptions",
    "result": "results",
    "record": "records",
}
ABOUT = {
    "reading": ("instrument", "quantity"),
    "tag": ("instrument",),
    "gap": ("instrument",),
    "result": ("job",),
    "record": ("job",),
}


def examples(which):
    return [
        pytest.param(kind, path, id=f"{kind}-{path.stem}")
        for kind in TABLES
        for path in sorted((EXAMPLES / kind / which).glob("*.json"))
    ]


def topic_of(kind, said):
    about = "/".join(str(said.get(name)) for name in ABOUT[kind])
    return f"benchtally/v1/{said.get('site')}/{said.get('bench')}/{kind}/{about}"


@pytest.mark.parametrize(("kind", "path"), examples("valid"))
def test_what_the_schema_allows_is_a_row_with_its_exact_text(kind, path):
    payload = path.read_bytes()
    said = json.loads(payload)
    row = row_of(topic_of(kind, said), payload)
    assert row.table == TABLES[kind]
    columns = dict(zip(COLUMNS[row.table], row.columns, strict=True))
    assert columns["body"] == payload.decode()
    assert str(columns["id"]) == said["id"]
    if kind == "reading":
        assert (columns["value"], columns["sequence"]) == (said["value"], said["sequence"])
        assert row.source == (said["site"], said["bench"], said["instrument"])


@pytest.mark.parametrize(
    ("kind", "path"), [each for each in examples("invalid") if each.values[0] != "record"]
)
def test_what_the_schema_forbids_is_refused_in_words(kind, path):
    """A record is kept as it came: its own verification says what of it does not hold."""
    payload = path.read_bytes()
    with pytest.raises(UnfitMessage) as caught:
        row_of(topic_of(kind, json.loads(payload)), payload)
    assert str(caught.value)


@pytest.mark.parametrize("time", ["9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00"])
def test_a_moment_that_is_none_in_utc_is_refused(time):
    """Nothing further up would take it: the worker would end, and be handed it again for ever."""
    said = json.loads((EXAMPLES / "reading" / "valid" / "streamed.json").read_bytes())
    payload = json.dumps({**said, "time": time}).encode()
    with pytest.raises(UnfitMessage, match="time: Value error, no moment that there is in UTC"):
        row_of(topic_of("reading", said), payload)


def test_a_result_of_a_job(tmp_path):
    said = {
        "schema_version": 1, "id": "01990000-0000-7000-8000-000000000001", "site": "sawmill",
        "bench": "bench-1", "job": "01990000-0000-7000-8000-000000000002", "machine": "FAN-07",
        "time": "2026-01-05T08:00:00Z", "name": "resistance unbalance", "value": 0.4, "unit": "%",
        "formula": "largest deviation from the mean",
    }  # fmt: skip
    row = row_of(f"benchtally/v1/sawmill/bench-1/result/{said['job']}", json.dumps(said).encode())
    assert row.table == "results"
    assert row.columns[5:10] == ("FAN-07", "resistance unbalance", 0.4, "%", None)
    topic = f"benchtally/v1/sawmill/bench-1/result/{said['job']}"
    void = row_of(topic, json.dumps({**said, "voided": True}).encode())
    assert void.columns[9] == "not applicable"
    with pytest.raises(UnfitMessage, match="topic is not that of its body"):
        row_of(f"benchtally/v1/sawmill/bench-1/result/{said['id']}", json.dumps(said).encode())


@given(st.text(max_size=80), st.binary(max_size=200))
def test_any_topic_and_any_bytes_are_refused_and_never_raise_otherwise(topic, payload):
    with pytest.raises(UnfitMessage):
        row_of(topic, payload)


@given(st.sampled_from(sorted(ABOUT)), st.binary(max_size=200))
def test_any_bytes_on_a_topic_of_ours_are_refused(kind, payload):
    with pytest.raises(UnfitMessage):
        row_of(topic_of(kind, {"site": "sawmill", "bench": "b"}), payload)


@pytest.mark.parametrize("end", ["0001-01-01T00:00:00+23:00", "9999-12-31T23:59:59-23:00"])
def test_a_time_that_its_zone_puts_out_of_the_calendar_is_refused(end):
    """One such message would else stop the worker, and come again whenever it is back."""
    said = json.loads((EXAMPLES / "gap" / "valid" / "journal-stalled.json").read_text("utf-8"))
    with pytest.raises(UnfitMessage, match="no moment that there is in UTC"):
        row_of(topic_of("gap", said), json.dumps({**said, "end": end}).encode())


def test_a_sequence_that_no_column_holds_is_refused_before_the_database_is_asked():
    said = json.loads((EXAMPLES / "reading" / "valid" / "smallest.json").read_text("utf-8"))
    topic = topic_of("reading", said)
    assert row_of(topic, json.dumps({**said, "sequence": 2**63 - 1}).encode())
    with pytest.raises(UnfitMessage, match="sequence: more than a number of 64 bits"):
        row_of(topic, json.dumps({**said, "sequence": 2**63}).encode())
