"""The API held against its own OpenAPI document by requests that nobody would think of."""

import pytest
import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis.checks import (
    not_a_server_error,
)
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]


@pytest.fixture
def document(served):
    """The document of a served bench that has a machine, a job, and some readings."""
    served.start("after-rewind")
    served.start("pulse-six-readings")
    schema = schemathesis.openapi.from_url(f"{served.server.url}/api/openapi.json")
    # A stream has no end that could be waited for.
    return schema.exclude(path="/api/events")


schema = schemathesis.pytest.from_fixture("document")


@schema.parametrize()
@settings(
    max_examples=15, deadline=None, suppress_health_check=list(HealthCheck), derandomize=False
)
def test_no_request_makes_the_server_fail_or_break_its_word(case):
    case.call_and_validate(headers={"Benchtally-Operator": "tester"}, checks=CHECKS, timeout=20)
