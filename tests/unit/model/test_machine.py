"""What is written of a machine, and what an entry of long ago still means."""

import json

import jsonschema

from capture.model.machine import Nameplate
from capture.model.schemas import schema


def test_a_description_of_long_ago_still_says_what_it_said():
    """It always named the kind of winding, and random-wound where nobody had said one."""
    stored = (
        '{"rated_volts":400.0,"connection":"star","winding":"random","insulation":"thermosetting"}'
    )
    plate = Nameplate.model_validate_json(stored)
    assert plate.winding == "random"
    assert plate.model_dump_json() == stored


def test_a_kind_that_nobody_said_is_unknown_and_is_not_written():
    assert Nameplate().winding == "unknown"
    assert "winding" not in json.loads(Nameplate(winding="unknown").model_dump_json())
    assert Nameplate.model_validate_json(Nameplate().model_dump_json()).winding == "unknown"


def test_what_is_written_fits_the_list_of_kinds_that_readers_have_had_from_the_start():
    described = schema("record")["$defs"]["Nameplate"]
    described["properties"]["winding"]["enum"].remove("unknown")
    jsonschema.validate(json.loads(Nameplate().model_dump_json()), described)
