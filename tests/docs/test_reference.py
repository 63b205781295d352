"""docs/reference/ is what the source says, and leaves nothing out."""

import inspect
import re
import sys
from pathlib import Path

import pytest

from capture import config
from capture.cli.commands import COMMANDS

REPOSITORY = Path(__file__).resolve().parents[2]
REFERENCE = REPOSITORY / "docs" / "reference"
sys.path.insert(0, str(REPOSITORY / "tests" / "bench" / "reference"))

import configuration_page  # noqa: E402 - it lies in a folder of its own
import schemas_page  # noqa: E402 - same
import write  # noqa: E402 - same


@pytest.mark.parametrize("name", write.PAGES)
def test_what_is_committed_is_what_the_source_says(name):
    committed = (REFERENCE / name).read_text("utf-8")
    assert committed == write.PAGES[name](), "run `make reference`, and commit docs/reference/"


def test_every_page_there_is_made():
    assert {each.name for each in REFERENCE.glob("*.md")} == set(write.PAGES)


@pytest.mark.parametrize("name", ["configuration.md", "commands.md", "schemas.md"])
def test_every_row_says_what_its_subject_is(name):
    """The last cell of each table tells that, and nobody can guess what is left empty."""
    lines = (REFERENCE / name).read_text("utf-8").splitlines()
    rows = [re.split(r"(?<!\\)\|", line)[1:-1] for line in lines if line.startswith("|")]
    assert len(rows) > 100
    assert [row[0].strip() for row in rows if not row[-1].strip()] == []


def test_no_section_of_the_configuration_is_left_out():
    models = {
        each
        for name, each in inspect.getmembers(config, inspect.isclass)
        if each.__module__.startswith(config.__name__) and not name.startswith("_")
    }
    assert models <= set(configuration_page.SECTIONS.values())
    of_the_historian = {
        each
        for _, each in inspect.getmembers(configuration_page.historian, inspect.isclass)
        if each.__module__ == configuration_page.historian.__name__
    }
    assert {each for each in of_the_historian if each.__name__[0] != "_"} == set(
        configuration_page.HISTORIAN.values()
    )


def test_every_command_and_schema_has_a_heading():
    commands = (REFERENCE / "commands.md").read_text("utf-8")
    assert {f"## benchtally {name}" for name in COMMANDS} <= set(commands.splitlines())
    files = {path.name for path in (REPOSITORY / "schemas").glob("*.json")}
    assert set(schemas_page.all_documents()) == files
    headings = set(
        re.findall(r"^## (\S+)$", (REFERENCE / "schemas.md").read_text("utf-8"), re.MULTILINE)
    )
    assert {name.removesuffix(".v1.json") for name in files} == headings
