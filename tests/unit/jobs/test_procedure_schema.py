"""The procedure schema and the loader agree on the examples, and on the built-in procedures."""

import json
import re
import tomllib
from pathlib import Path

import pytest
import typer
from jsonschema import Draft202012Validator

from capture.cli import job
from capture.errors import ConfigError
from capture.jobs.procedure import parse_procedure
from capture.model.machine import Nameplate

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


MANUAL = (ROOT / "docs" / "jobs.md").read_text("utf-8")


def test_the_procedure_in_the_manual_is_one(validator):
    """What a person copies from docs/jobs.md works."""
    blocks = [part.split("```")[0] for part in MANUAL.split("```toml\n")[1:]]
    (text,) = (block for block in blocks if "[[steps]]" in block)
    assert list(validator.iter_errors(tomllib.loads(text))) == []
    assert [step.id for step in parse_procedure(text, "manual").steps] == ["insulation", "pulse"]


def test_the_nameplate_in_the_manual_is_one():
    blocks = [part.split("```")[0] for part in MANUAL.split("```toml\n")[1:]]
    (text,) = (block for block in blocks if "rated_volts" in block)
    plate = tomllib.loads(text)
    assert set(plate) <= set(Nameplate.model_fields)
    assert Nameplate.model_validate(plate).thermal_class == 155


def test_every_key_and_every_built_in_procedure_stands_in_the_manual():
    schema = json.loads((ROOT / "schemas" / "procedure.v1.json").read_text("utf-8"))
    parts = [schema, *schema["$defs"].values()]
    keys = {key for part in parts for key in part.get("properties", {})}
    assert [key for key in sorted(keys) if f"`{key}`" not in MANUAL] == []
    assert [path.stem for path in BUILT_IN if f"`{path.stem}`" not in MANUAL] == []


def test_every_job_command_of_the_manual_exists():
    """And every one that there is stands in the manual."""
    made = typer.Typer()
    job.register(made)
    (group,) = made.registered_groups
    known = {
        each.name or each.callback.__name__ for each in group.typer_instance.registered_commands
    }
    written = re.findall(r"(?:^benchtally |`)job ([a-z-]+)", MANUAL, re.MULTILINE)
    assert set(written) == known
