"""The API held against its own OpenAPI document by requests that nobody would think of."""

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
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
_SETTINGS = settings(
    max_examples=20,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture
def job(served):
    """A job under way."""
    return served.start("after-rewind")


@pytest.fixture
def operations(served, job):
    """Every operation of a served bench that has a machine and a job, but the endless stream."""
    document = schemathesis.openapi.from_url(
        f"{served.server.url}/api/openapi.json", cookies=dict(served.client.cookies)
    )
    endless = document.exclude(path="/api/events")
    # Whoever logs out is told 401 from then on, and nothing else.
    found = [each.ok() for each in endless.exclude(path="/api/session").get_all_operations()]
    assert len(found) > 15
    return found


def _takes_something(operation):
    raw = operation.definition.raw
    return bool(raw.get("parameters") or raw.get("requestBody"))


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE])
def test_no_request_makes_the_server_fail_or_break_its_word(served, job, operations, mode):
    for operation in operations:
        if mode is GenerationMode.NEGATIVE and not _takes_something(operation):
            continue

        @given(case=operation.as_strategy(generation_mode=mode), real=st.booleans())
        @_SETTINGS
        def hold(case, real):
            if real and "job" in case.path_parameters:
                # Deeper than "there is no such job".
                state = served.get(f"/api/jobs/{job['job']}")
                case.path_parameters["job"] = job["job"]
                if "step" in case.path_parameters:
                    case.path_parameters["step"] = state["steps"][0]["id"]
                if isinstance(case.body, dict):
                    case.body["seen"] = state["last"]
            case.call_and_validate(
                headers={"Benchtally-CSRF": served.client.headers["Benchtally-CSRF"]},
                cookies=dict(served.client.cookies),
                checks=CHECKS,
                timeout=20,
            )

        hold()
