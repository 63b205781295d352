"""Who gets in, how long they stay, and what gets nobody in. Every request goes over a socket."""

import json
import re
import socket
import sqlite3

import pytest
from asked import ask, cookie_of

from capture.access.file import AccessFile
from capture.access.operators import Operators
from capture.model import new_id
from capture.web import live
from tests.unit.web.conftest import Served

# ── sessions ─────────────────────────────────────────────────────────────────────────────────


def test_a_lone_bench_takes_a_name_and_says_that_it_was_not_proven(served):
    client = served.nobody()
    before = client.get("/api/session")
    assert before.status_code == 401
    assert (before.json()["secret_needed"], before.json()["proposed"]) == (False, "technician")
    answer = served.log_in(client, " Foreman  of the\tshift ")
    assert answer.status_code == 201
    assert answer.json()["operator"] == "Foreman of the shift"
    assert answer.json()["proven"] is False
    told = client.get("/api/session").json()
    assert told == answer.json()
    assert told["insecure"] is False


@pytest.mark.parametrize(
    "name", ["", " ", "\x1b[2J", "a\u200bb", "a\u202eb", "a\x00", "x" * 81, "x" * 300, 7, None, []]
)
def test_names_that_mislead_are_refused(served, name):
    answer = served.nobody().post("/api/session", json={"operator": name})
    assert answer.status_code == 400, answer.text


def test_the_cookie_is_out_of_reach_of_scripts_and_of_other_sites(served):
    answer = served.log_in(served.nobody())
    first, *flags = answer.headers["set-cookie"].split("; ")
    assert re.fullmatch(r"benchtally-bench-1=[A-Za-z0-9_-]{43}", first)
    assert {each.lower() for each in flags} == {
        "httponly",
        "samesite=strict",
        "path=/",
        "max-age=50400",
    }
    assert first.partition("=")[2] not in answer.text


def test_a_session_that_was_planted_is_not_the_one_that_is_logged_in(served):
    planted = "A" * 43
    cookie = f"Cookie: {served.bench.cookie}={planted}"
    status, answer = ask(served, "/api/session", "POST", cookie, body='{"operator": "technician"}')
    assert status == 201
    assert b"httponly" in answer.lower()
    assert planted.encode() not in answer
    assert ask(served, "/api/bench", "GET", cookie)[0] == 401


def test_a_log_in_ends_the_session_that_the_browser_had(served):
    client = served.as_("stranger")
    old = cookie_of(client)
    assert ask(served, "/api/bench", "GET", old)[0] == 200
    answer = served.log_in(client)
    assert answer.headers["set-cookie"]
    assert ask(served, "/api/bench", "GET", old)[0] == 401


def test_of_two_cookies_neither_is_believed(served):
    """Cookies know no ports: any other server on this computer can set one of our name."""
    ours = cookie_of(served.client)
    name = served.bench.cookie
    for headers in (
        (f"{ours}; {name}={'A' * 43}",),
        (f"Cookie: {name}={'A' * 43}; " + ours.removeprefix("Cookie: "),),
        (ours, f"Cookie: {name}={'A' * 43}"),
    ):
        assert ask(served, "/api/bench", "GET", *headers)[0] == 401
    assert ask(served, "/api/bench", "GET", f"{ours}; other=1; x")[0] == 200


@pytest.mark.parametrize(
    "token",
    ["", "x", "A" * 43, "A" * 5000, "' OR 1=1 --", "%00", "\xe9" * 43, "A" * 42 + "=", '""'],
)
def test_a_made_up_token_is_nobody(served, token):
    assert ask(served, "/api/bench", "GET", f"Cookie: {served.bench.cookie}={token}")[0] == 401


def test_after_the_log_out_the_cookie_is_worth_nothing_even_after_a_restart(served):
    client = served.nobody()
    served.log_in(client)
    cookie = cookie_of(client)
    assert ask(served, "/api/bench", "GET", cookie)[0] == 200
    answer = client.delete("/api/session")
    assert answer.status_code == 204
    assert "max-age=0" in answer.headers["set-cookie"].lower()
    assert ask(served, "/api/bench", "GET", cookie)[0] == 401
    with sqlite3.connect(served.config.access_path) as file:
        assert file.execute("SELECT count(*) FROM sessions").fetchone() == (0,)
    file.close()


def test_a_restart_ends_no_session(tmp_path):
    first = Served(tmp_path)
    first.add_operator("winder")
    client = first.nobody()
    assert first.log_in(client, "winder", "271828").status_code == 201
    cookie = cookie_of(client)
    first.close()
    second = Served(tmp_path)
    try:
        status, answer = ask(second, "/api/session", "GET", cookie)
        assert status == 200
        assert b'"operator":"winder"' in answer
        assert client.headers["Benchtally-CSRF"].encode() in answer
    finally:
        second.close()


def test_a_session_ends_when_it_is_not_used_and_lives_while_it_is(served):
    client = served.client
    for _ in range(3):
        served.clock.advance(239 * 60)
        assert client.get("/api/bench").status_code == 200
    served.clock.advance(241 * 60)  # idle: 240 minutes
    assert client.get("/api/bench").status_code == 401


def test_a_session_ends_in_any_case(served):
    client = served.client
    for _ in range(13):
        served.clock.advance(3600)
        assert client.get("/api/bench").status_code == 200
    served.clock.advance(3601)  # longest: 14 hours
    assert client.get("/api/bench").status_code == 401


def test_a_clock_that_is_set_back_logs_nobody_out(served):
    assert served.client.get("/api/bench").status_code == 200
    served.clock.step_utc(-86_400 * 365)
    assert served.client.get("/api/bench").status_code == 200


def test_the_first_operator_ends_the_sessions_that_nobody_proved(served):
    client = served.client
    assert client.get("/api/bench").status_code == 200
    served.add_operator("technician")
    assert client.get("/api/bench").status_code == 401
    assert client.get("/api/session").json()["secret_needed"] is True
    assert served.log_in(client).status_code == 401


@pytest.mark.parametrize("how", ["remove", "set_secret"])
def test_a_removal_and_a_new_secret_end_the_sessions_of_the_operator_alone(served, how):
    served.add_operator("winder")
    served.add_operator("foreman")
    winder, foreman = served.as_("winder"), served.as_("foreman")
    # As the command does it: from another process, by the same file.
    file = AccessFile(served.config.access_path)
    change = Operators(file)
    if how == "remove":
        change.remove("WINDER")
    else:
        change.set_secret("Winder", served.hasher.hash("new secret 1"), served.clock.utc())
    file.close()
    assert winder.get("/api/bench").status_code == 401
    assert foreman.get("/api/bench").status_code == 200


def test_where_others_are_served_the_last_removal_opens_nothing(tmp_path):
    served = Served(tmp_path, hosts=("bench-1.plant.example",))
    try:
        served.add_operator("winder")
        served.access.operators.remove("winder")
        for secret in (None, "", "271828"):
            assert served.log_in(served.nobody(), "winder", secret).status_code in (401, 429)
    finally:
        served.close()


# ── acting ───────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("given", [None, "", "0" * 64, "another's", "\xe9", "cut short"])
def test_what_writes_needs_the_mark_of_the_session(served, given):
    client = served.client
    right = client.headers.pop("Benchtally-CSRF")
    wrong = {
        "another's": served.as_("foreman").headers["Benchtally-CSRF"],
        "cut short": right[:-1],
    }.get(given, given)
    headers = {} if wrong is None else {"Benchtally-CSRF": wrong.encode("latin-1")}
    body = {"id": str(new_id()), "machine": "fan-07"}
    for method, path in (
        ("POST", "/api/machines"),
        ("DELETE", "/api/session"),
        ("POST", "/api/evidence"),
        ("PUT", "/nothing"),
        ("PATCH", "/static/x"),
    ):
        answer = client.request(method, path, json=body, headers=headers)
        assert answer.status_code == 403, (method, path)
        assert answer.json()["type"].endswith(":csrf")
    assert served.get("/api/machines") == []
    good = client.post("/api/machines", json=body, headers={"Benchtally-CSRF": right})
    assert good.status_code == 201


def test_a_form_of_another_site_logs_nobody_in(served):
    """A form can send text, but no JSON, and the browser says where it stands."""
    body = json.dumps({"operator": "stranger"})
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data"):
        answer = served.nobody().post("/api/session", content=body, headers={"Content-Type": kind})
        assert answer.status_code == 400, kind
        assert "set-cookie" not in answer.headers
    answer = served.nobody().post("/api/session", content=body, headers={"Content-Type": ""})
    assert "set-cookie" not in answer.headers
    for headers in ({"Origin": "https://evil.example"}, {"Sec-Fetch-Site": "cross-site"}):
        answer = served.nobody().post(
            "/api/session", json={"operator": "stranger"}, headers=headers
        )
        assert answer.status_code == 403
        assert "set-cookie" not in answer.headers


def test_nobody_acts_under_another_name(served):
    machine = {"id": str(new_id()), "machine": "fan-07"}
    headers = {"Benchtally-Operator": "foreman", "X-Forwarded-User": "foreman"}
    in_body = served.client.post("/api/machines", json={**machine, "operator": "foreman"})
    assert in_body.status_code == 400
    in_query = served.client.post("/api/machines?operator=foreman", json=machine, headers=headers)
    assert in_query.status_code == 201
    assert in_query.json()["operator"] == "technician"


def test_a_second_operator_is_somebody_and_somebody_else(served):
    served.add_operator("winder")
    served.add_operator("foreman")
    client = served.as_("winder")

    def key(second, again="87.42 µs"):
        value = {"id": str(new_id()), "typed": "87.42 µs"}
        if again is not None:
            value["again"] = again
        display = {"law": "period", "second_operator": second}
        body = {"quantity": "pulse_time", "display": display, "values": [value]}
        return client.post("/api/keyed", json=body)

    assert key("nobody").status_code == 404
    assert key("Winder ").status_code == 400
    assert key("foreman", again=None).status_code == 400
    assert key("foreman", again="87.43 µs").status_code == 400
    assert client.get("/api/readings").json()["readings"] == []
    assert key(" FOREMAN ").status_code == 201
    (found,) = client.get("/api/readings").json()["readings"]
    assert (found["source"]["operator"], found["source"]["second_operator"]) == (
        "winder",
        "foreman",
    )


# ── streams ──────────────────────────────────────────────────────────────────────────────────


def _stream(served, client):
    raw = socket.create_connection(("127.0.0.1", served.server.port), timeout=10)
    lines = ("GET /api/events HTTP/1.1", "Host: localhost", cookie_of(client), "", "")
    raw.sendall("\r\n".join(lines).encode())
    got = b""
    while b"event: watch" not in got:
        more = raw.recv(65536)
        assert more, got
        got += more
    return raw


def _to_the_end(raw):
    with raw:
        return b"".join(iter(lambda: raw.recv(65536), b""))


def test_a_log_out_ends_the_streams_of_the_session_and_no_others(served):
    leaves, stays = served.as_("technician"), served.as_("foreman")
    leaving, staying = _stream(served, leaves), _stream(served, stays)
    leaves.delete("/api/session")
    _to_the_end(leaving)  # or the socket times out
    served.seen = served.seen.__class__(reason="the leads are off")
    served.changes.tell()
    came = b""
    with staying:
        while b"the leads are off" not in came:
            more = staying.recv(65536)  # or the socket times out
            assert more, f"the stream ended: {came!r}"
            came += more


@pytest.mark.parametrize("ended_by", ["removal", "time"])
def test_a_stream_ends_with_its_session_however_that_ends(served, monkeypatch, ended_by):
    monkeypatch.setattr(live, "STANDS_S", 0.2)
    served.add_operator("winder")
    stream = _stream(served, served.as_("winder"))
    if ended_by == "time":
        served.clock.advance(15 * 3600)
    else:
        file = AccessFile(served.config.access_path)
        Operators(file).remove("winder")
        file.close()
    _to_the_end(stream)
