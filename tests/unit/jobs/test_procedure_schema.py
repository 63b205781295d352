"""The procedure schema and the loader agree on the examples, and on the built-in procedures."""

import json
import tomllib
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from capture.errors import ConfigError
from capture.jobs.procedure import parse_procedure

ROOT = Path(__file__).parents[3]
EXAMPLES = ROOT / "schemas" / "examples" / "procedure"
BUILT_IN = sorted((ROOT / "capture" / "jobs" / "procedures").glob("*.toml"))
VALID = [*sorted((EXAMPLES / "valid").glob("*.toml")), *BUILT_IN]
INVALID = sorted((EXAMPLES / "invalid").glob("*.toml"))


@pytest.fixture(scope="module")
def validator():
    """An independent implementation of JSON Schema 2020-12."""
    schema = json.loads((ROOT / "schemas" / "procedure.v1.json").read_text("utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def test_there_are_examples():
    """None is missed because a folder moved."""
    assert len(BUILT_IN) >= 8
    assert len(VALID) >= len(BUILT_IN) + 2
    assert len(INVALID) >= 5


@pytest.mark.parametrize("path", VALID, ids=lambda path: path.stem)
def test_valid_procedures_pass_both(path, validator):
    text = path.read_text("utf-8")
    assert list(validator.iter_errors(tomllib.loads(text))) == []
    assert parse_procedure(text, path.name).name == path.stem


@pytest.mark.parametrize("path", INVALID, ids=lambda path: path.stem)
def test_invalid_procedures_fail_both(path, validator):
    """The schema refuses it, and the loader says the line that stands in its first comment."""
    text = path.read_text("utf-8")
    assert list(validator.iter_errors(tomllib.loads(text)))
    with pytest.raises(ConfigError) as caught:
        parse_procedure(text, path.name)
    assert caught.value.faults == [text.splitlines()[0].removeprefix("# ")]


def test_one_example_shows_every_key():
    text = (EXAMPLES / "valid" / "phase-by-phase.toml").read_text("utf-8")
    schema = json.loads((ROOT / "schemas" / "procedure.v1.json").read_text("utf-8"))
    parts = [schema, *schema["$defs"].values()]
    keys = {key for part in parts for key in part.get("properties", {})}
    shown = tomllib.loads(text)
    steps = shown["steps"]
    used = {*shown, *(key for step in steps for key in (*step, *step["take"]))}
    assert keys == used
