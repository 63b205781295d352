"""The profile schema and the loader agree on the examples, and on the built-in profiles."""

import json
import tomllib
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from capture.driver.profile import parse_profile
from capture.errors import ConfigError

ROOT = Path(__file__).parents[3]
EXAMPLES = ROOT / "schemas" / "examples" / "profile"
VALID = sorted([*(EXAMPLES / "valid").glob("*.toml"), *ROOT.glob("drivers/*/profiles/*.toml")])
INVALID = sorted((EXAMPLES / "invalid").glob("*.toml"))


@pytest.fixture(scope="module")
def validator():
    """An independent implementation of JSON Schema 2020-12."""
    schema = json.loads((ROOT / "schemas" / "profile.v1.json").read_text("utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def test_there_are_examples():
    """None is missed because a folder moved."""
    assert len(VALID) >= 15
    assert len(INVALID) >= 5


@pytest.mark.parametrize("path", VALID, ids=lambda path: path.stem)
def test_valid_profiles_pass_both(path, validator):
    """Schema and loader take it."""
    text = path.read_text("utf-8")
    assert list(validator.iter_errors(tomllib.loads(text))) == []
    assert parse_profile(text, path.name).name == path.stem


@pytest.mark.parametrize("path", INVALID, ids=lambda path: path.stem)
def test_invalid_profiles_fail_both(path, validator):
    """The schema refuses it, and the loader says the line that stands in its first comment."""
    text = path.read_text("utf-8")
    assert list(validator.iter_errors(tomllib.loads(text)))
    with pytest.raises(ConfigError) as caught:
        parse_profile(text, path.name)
    assert caught.value.faults == [text.splitlines()[0].removeprefix("# ")]
