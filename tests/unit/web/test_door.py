"""The door: no spelling of a path and no method gets past it without a session."""

import re

import pytest
from asked import ask

from capture.model import new_id
from capture.web.door import next_page


def test_no_operation_answers_without_a_session_but_those_that_are_open(served):
    document = served.app.openapi()
    open_to_all = {
        ("/health", "get"): 200,
        ("/metrics", "get"): 200,  # to programs of this computer, as this one is
        ("/api/session", "post"): 400,
    }
    count = 0
    for path, operations in document["paths"].items():
        filled = re.sub(r"\{[^}]*\}", str(new_id()), path)
        for method in operations:
            status, answer = ask(served, filled, method.upper())
            assert status == open_to_all.get((path, method), 401), (method, path)
            assert b"sawmill" not in answer
            count += 1
    assert count > 15
    assert ask(served, "/api/openapi.json")[0] == 401


@pytest.mark.parametrize(
    "target",
    [
        "//api/bench",
        "///api//bench",
        "/%61pi/bench",
        "/api%2fbench",
        "/api/bench/",
        "/api//bench",
        "/API/bench",
        "/api/bench%00",
        "/api/bench%3f",
        "/api/bench;/static/",
        "/api/bench?/static/x",
        "/./api/bench",
        "/health/../api/bench",
        "/login/../api/bench",
        "/login/",
        "/health%2f..%2fapi%2fbench",
        "/api/session/../bench",
        "/api/session/",
        "/static/../api/bench",
        "/static/..%2fapi/bench",
        "/static/%2e%2e/api/bench",
        "/static/%2E%2E%2f%2E%2E%2fapi/bench",
        "/static",
        "/staticx/api/bench",
        "/%2e%2e/api/bench",
        "/..\\api\\bench",
        "http://127.0.0.1/api/bench",
        "http://127.0.0.1/static/../api/bench",
    ],
)
def test_no_spelling_of_a_path_gets_past_the_door(served, target):
    status, answer = ask(served, target)
    assert status in (303, 401), answer
    assert b"sawmill" not in answer
    if status == 303:
        assert re.search(rb"(?i)\r\nlocation: /login(\?next=\S*)?\r\n", answer)


METHODS = ("GET", "HEAD", "OPTIONS", "POST", "PUT", "PATCH", "DELETE", "TRACE", "get", "BREW")


@pytest.mark.parametrize("target", ["/api/bench", "/static/../api/bench", "/jobs"])
def test_no_method_gets_past_the_door(served, target):
    for method in METHODS:
        page = not target.startswith("/api") and method in ("GET", "HEAD")
        status, answer = ask(served, target, method)
        assert status == (303 if page else 401), method
        assert b"sawmill" not in answer, method


@pytest.mark.parametrize("target", ["/health", "/login", "/static/app.js"])
def test_what_is_open_is_open_for_looking_only(served, target):
    for method in ("POST", "PUT", "DELETE", "OPTIONS"):
        assert ask(served, target, method)[0] == 401, method


def test_a_page_sends_to_the_log_in_and_files_do_not(served):
    client = served.nobody()
    answer = client.get("/jobs/7?step=a%26b")
    assert (answer.status_code, answer.headers["location"]) == (
        303,
        "/login?next=/jobs/7%3Fstep%3Da%2526b",
    )
    assert client.get("/").headers["location"] == "/login"
    assert client.get("/static/nothing.js").status_code == 404
    assert client.get("/login").status_code != 303


@pytest.mark.parametrize(
    ("wanted", "page"),
    [
        ("/jobs/7?step=a", "/jobs/7?step=a"),
        ("/", "/"),
        (None, "/"),
        ("", "/"),
        ("//evil.example", "/"),
        ("/\\evil.example", "/"),
        ("\\\\evil.example", "/"),
        ("https://evil.example", "/"),
        ("javascript:alert(1)", "/"),
        ("/\t/evil.example", "/"),
        ("/jobs\r\nSet-Cookie: a=b", "/"),
        ("/jobs?of={secret}", "/"),
        ("/" + "x" * 1000, "/"),
    ],
)
def test_after_the_log_in_no_other_site_follows(wanted, page):
    assert next_page(wanted) == page


def test_health_says_whether_it_is_well_and_nothing_else(served):
    answer = served.nobody().get("/health")
    assert (answer.status_code, answer.json()) == (200, {"status": "ok", "reasons": []})
    served.config.journal_path.rename(served.config.journal_path.with_name("away"))
    answer = served.nobody().get("/health")
    assert answer.status_code == 503
    assert answer.json() == {"status": "failing", "reasons": ["journal: cannot be read"]}
