"""Docstrings below members become descriptions, when a schema is made and not before."""

import subprocess
import sys

import pytest
from pydantic import BaseModel, Field

from capture.model.described import Described, member_docs


class Lead(Described, BaseModel):
    length_m: float
    """Length, m."""
    colour: str = "red"
    """Colour of the insulation,
    as it is sold."""
    plain: bool = True


class ClipLead(Lead):
    colour: str = "black"
    grip: Lead | None = None
    """Another one that it is clipped to."""
    worn: bool = Field(False, description="said by hand")
    """Never seen."""


def descriptions(schema):
    return {name: each.get("description") for name, each in schema["properties"].items()}


def test_members_are_described_by_the_docstrings_below_them():
    schema = Lead.model_json_schema()
    assert descriptions(schema) == {
        "length_m": "Length, m.",
        "colour": "Colour of the insulation,\nas it is sold.",
        "plain": None,
    }


def test_a_member_said_anew_does_not_keep_the_docstring_of_the_old_one():
    schema = ClipLead.model_json_schema()
    assert descriptions(schema) == {
        "length_m": "Length, m.",
        "colour": None,
        "plain": None,
        "grip": "Another one that it is clipped to.",
        "worn": "said by hand",
    }
    assert descriptions(schema["$defs"]["Lead"])["length_m"] == "Length, m."


def test_it_says_what_pydantic_itself_would_say():
    class Same(Lead):
        model_config = {"use_attribute_docstrings": True}

        length_m: float
        """Length, m."""

    assert descriptions(Same.model_json_schema()) == descriptions(Lead.model_json_schema())


def test_without_a_source_there_are_no_descriptions():
    made = type("Made", (Described, BaseModel), {"__annotations__": {"n": int}, "__module__": "x"})
    assert member_docs(made) == {}
    assert descriptions(made.model_json_schema()) == {"n": None}


@pytest.mark.parametrize("module", ["capture.app", "capture.publish.__main__"])
def test_no_source_is_read_by_a_process_that_only_starts(module):
    code = f"import linecache, {module}; print([n for n in linecache.cache if n[:1] != '<'])"
    done = subprocess.run(
        [sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout == "[]\n"
