"""TOML that nobody should have written is a fault of the file, told on one line."""

import tomllib
from pathlib import Path

import pytest

from capture.driver.profile.load import parse_profile
from capture.errors import ConfigError
from capture.jobs.procedure import parse_procedure
from capture.settings_text import toml_table

HEALTHY = str(Path(__file__).parents[3] / "examples" / "judge" / "healthy.json")
BEYOND = {
    "a number is too long": f"schema_version = {'9' * 5000}",
    "nested too deeply": f"x = {'[' * 5000}{']' * 5000}",
}


def test_a_table_is_read():
    assert toml_table("a = 1\n[b]\nc = 'd'") == {"a": 1, "b": {"c": "d"}}


@pytest.mark.parametrize("why", BEYOND)
def test_what_the_reader_cannot_hold_is_no_toml(why):
    with pytest.raises(tomllib.TOMLDecodeError, match=why):
        toml_table(BEYOND[why])


@pytest.mark.parametrize("parse", [parse_profile, parse_procedure])
@pytest.mark.parametrize("why", BEYOND)
def test_a_file_that_cannot_be_held_is_told_by_its_name(parse, why):
    with pytest.raises(ConfigError) as raised:
        parse(BEYOND[why], "own.toml")
    assert raised.value.faults == [f"own.toml: not TOML: {why}"]


@pytest.mark.parametrize("why", BEYOND)
@pytest.mark.parametrize(
    "command",
    [
        ("machine", "add", "FAN-07", "--operator", "foreman", "--from"),
        ("judge", HEALTHY, "--limits"),
        ("historian", "run", "--config"),
    ],
    ids=lambda command: command[0],
)
def test_commands_say_so_on_one_line(run, tmp_path, command, why):
    path = tmp_path / "own.toml"
    path.write_text(BEYOND[why], "utf-8")
    code, out, err = run(*command, str(path), with_config=command[0] == "machine")
    assert (code, out) == (2, "")
    assert err == f"benchtally: {path}: not TOML: {why}\n"


def test_json_without_end_is_told_on_one_line(run, tmp_path):
    path = tmp_path / "own.json"
    path.write_text("[" * 100_000, "utf-8")
    for command in (
        ("judge", str(path)),
        ("machine", "add", "FAN-07", "--operator", "foreman", "--from", str(path)),
    ):
        code, out, err = run(*command, with_config=command[0] == "machine")
        assert (code, out) == (2, "")
        assert err.startswith(f"benchtally: {path}: not JSON: ")
        assert err.count("\n") == 1
