"""What the API says of itself: every member and parameter, since its users have nothing else."""

import pytest

from capture.web.parameters import describe_parameters


def test_every_member_of_every_body_says_what_it_is(served):
    schemas = served.app.openapi()["components"]["schemas"]
    members = {
        f"{name}.{member}": told.get("description", "")
        for name, schema in schemas.items()
        for member, told in schema.get("properties", {}).items()
    }
    assert len(members) > 200
    assert [name for name, told in members.items() if not told.strip()] == []


def test_every_parameter_says_what_it_is(served):
    document = served.app.openapi()
    told = {
        f"{path} {each['name']}": each.get("description", "")
        for path, operations in document["paths"].items()
        for operation in operations.values()
        for each in operation.get("parameters", ())
    }
    assert len(told) > 20
    assert [name for name, words in told.items() if not words.strip()] == []
    assert "job" in told["/api/trends/{machine} until"]
    assert "moment" in told["/api/export/{what}.{form} until"]


def test_a_parameter_that_nobody_described_is_no_silent_gap():
    document = {"paths": {"/api/x": {"get": {"parameters": [{"name": "colour"}]}}}}
    with pytest.raises(KeyError, match="colour"):
        describe_parameters(document)
