"""The entries that `journal export` writes, against the committed schemas of their kinds."""

import io
import json
from pathlib import Path

import jsonschema
import pytest

from capture.journal.transfer import export

SCHEMAS = Path(__file__).parents[3] / "schemas"


@pytest.fixture
def exported(years):
    """The entries' own documents by kind, from the lines that are written out."""
    out = io.BytesIO()
    export(years.reader._path, out)
    lines = [json.loads(line) for line in out.getvalue().splitlines()]
    found = {}
    for line in lines[1:-1]:
        found.setdefault(line["kind"], []).append(json.loads(line["body"]))
    return found


def test_every_machine_and_job_entry_of_whole_jobs_is_what_its_schema_says(exported):
    """As every other kind that leaves the bench: whoever reads an export has nothing else."""
    assert {"machine", "job"} <= set(exported)
    for kind, documents in exported.items():
        schema = json.loads((SCHEMAS / f"{kind}.v1.json").read_text("utf-8"))
        judge = jsonschema.Draft202012Validator(
            schema, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
        )
        for document in documents:
            assert list(judge.iter_errors(document)) == [], document
    acts = {entry["event"]["action"] for entry in exported["job"]}
    assert {"started", "taken", "signed-off"} <= acts
