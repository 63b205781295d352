"""What a worker answers at its port, as other programs' own parsers and clients read it."""

import http.client
import json
import socket
import threading
from contextlib import closing
from types import SimpleNamespace

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as read

from capture.clock import SystemClock
from capture.errors import HistorianError, PublishError
from capture.historian import answers as module
from capture.historian.answers import Answers, make_application
from capture.historian.metrics import Asking, Said, make_registry
from capture.historian.settings import HistorianConfig
from capture.historian.vitals import Vitals

SAID = Said(True, 1, {"online": 2}, {"open": 3, "refused": 1}, 4)


@pytest.fixture
def vitals():
    made = Vitals(SystemClock())
    made.turned("listening")
    counts = {"stored": 7, "known": 5, "quarantined": 1}
    made.of_connection(0, counts, SimpleNamespace(waiting=0, dropped=2), 0, deaf="")
    return made


@pytest.fixture
def said():
    return [SAID]


@pytest.fixture
def answers(vitals, said):
    made = Answers(0, make_application(vitals, make_registry(vitals, lambda: said[0], 2)))
    yield made
    made.close()


def ask(answers, path, method="GET", **headers):
    with closing(http.client.HTTPConnection("127.0.0.1", answers.port, timeout=30)) as connection:
        connection.request(method, path, headers=headers)
        got = connection.getresponse()
        return got.status, got.headers, got.read().decode()


def samples(text):
    return {
        (each.name, *sorted(each.labels.items())): each.value
        for family in read(text)
        for each in family.samples
    }


def test_the_metrics_are_openmetrics_that_the_reference_parser_takes(answers):
    status, headers, text = ask(answers, "/metrics")
    assert status == 200
    assert headers["Content-Type"].startswith("application/openmetrics-text; version=1.0.0")
    found = samples(text)
    name = "benchtally_historian"
    assert found[f"{name}_stored_total",] == 7
    assert found[f"{name}_known_total",] == 5
    assert found[f"{name}_words_dropped_total",] == 2
    assert found[f"{name}_slot",] == 0
    assert found[f"{name}_slots",] == 2
    assert found[f"{name}_slots_served",] == 1
    assert found[f"{name}_dead_letters",] == 4
    assert found[f"{name}_database_up",] == 1
    assert found[f"{name}_health", (f"{name}_health", "ok")] == 1
    assert found[f"{name}_benches", ("state", "online")] == 2
    assert found[f"{name}_benches", ("state", "offline")] == 0
    assert found[f"{name}_incomplete", ("state", "open")] == 3
    assert found[f"{name}_incomplete", ("state", "gone")] == 0
    assert 0 <= found[f"{name}_heartbeat_age_seconds",] < 30


def test_what_the_database_did_not_say_is_left_out_and_no_zero(answers, said):
    said[0] = Said(up=False)
    found = samples(ask(answers, "/metrics")[2])
    assert found["benchtally_historian_database_up",] == 0
    names = {name for name, *_ in found}
    assert not names & {
        f"benchtally_historian_{each}"
        for each in ("benches", "incomplete", "slots_served", "dead_letters")
    }


def test_the_health_answer_is_for_whoever_restarts_workers(answers, vitals):
    status, headers, text = ask(answers, "/health")
    assert (status, json.loads(text)) == (200, {"status": "ok", "reasons": []})
    assert headers["Cache-Control"] == "no-store"
    vitals.is_away()
    status, _, text = ask(answers, "/health")
    assert status == 503
    assert json.loads(text)["status"] == "failing"
    vitals.turned("standing-by")
    assert ask(answers, "/health")[0] == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "historian.example"},
        {"Host": "historian.example:9109"},
        {"Host": ""},
        {"X-Forwarded-For": "127.0.0.1"},
        {"Forwarded": "for=127.0.0.1"},
        {"X-Real-IP": "127.0.0.1"},
    ],
)
def test_whoever_comes_through_a_proxy_or_under_another_name_is_told_nothing(answers, headers):
    """As a page in a browser on this computer, whose name was made to mean 127.0.0.1."""
    for path in ("/metrics", "/health"):
        assert ask(answers, path, **headers)[0] == 404
    assert ask(answers, "/health", Host="localhost")[0] == 200


def test_nothing_but_these_two_and_nothing_but_reading(answers):
    assert ask(answers, "/")[0] == 404
    assert ask(answers, "/metrics/../../etc/passwd")[0] == 404
    status, headers, _ = ask(answers, "/metrics", method="POST")
    assert (status, headers["Allow"]) == (405, "GET, HEAD")
    status, headers, text = ask(answers, "/health", method="HEAD")
    assert (status, text) == (200, "")
    assert int(headers["Content-Length"]) > 0


def test_it_listens_on_this_computer_only(answers):
    assert answers._server.server_address[0] == "127.0.0.1"


@pytest.mark.parametrize(
    "junk",
    [b"\x00\xff\n\r\n", b"GET\r\n\r\n", b"GET /metrics HTTP/9.9\r\n\r\n", b"A" * 70_000 + b"\r\n"],
)
def test_what_is_no_request_ends_nothing(answers, junk, capfd):
    with closing(socket.create_connection(("127.0.0.1", answers.port), timeout=30)) as sock:
        sock.sendall(junk)
        sock.shutdown(socket.SHUT_WR)
        # Hung up on, whatever it was told before.
        try:
            while sock.recv(4096):
                pass
        except ConnectionResetError:
            pass
    assert ask(answers, "/health")[0] == 200
    assert capfd.readouterr().err == ""


def test_one_that_says_nothing_is_hung_up_on_and_holds_up_no_end(answers, monkeypatch):
    monkeypatch.setattr(module._Handler, "timeout", 0.05)
    with closing(socket.create_connection(("127.0.0.1", answers.port), timeout=30)) as silent:
        assert silent.recv(1) == b""
    monkeypatch.setattr(module._Handler, "timeout", 60.0)
    monkeypatch.setattr(module, "_ENDING", 0.05)
    with closing(socket.create_connection(("127.0.0.1", answers.port), timeout=30)):
        ending = threading.Thread(target=answers.close)
        ending.start()
        ending.join(30)
        assert not ending.is_alive()


def test_a_port_that_is_taken_is_said(answers, vitals):
    with pytest.raises(OSError, match="in use"):
        Answers(answers.port, make_application(vitals, make_registry(vitals, lambda: SAID, 1)))


def test_the_database_is_not_asked_more_often_than_it_likes():
    asked = []

    def connect():
        asked.append(True)
        raise HistorianError("database: it is away")

    clock = SimpleNamespace(now=0.0)
    clock.monotonic = lambda: clock.now
    asking = Asking(connect, HistorianConfig(), clock)
    assert [asking().up for _ in range(5)] == [False] * 5
    assert len(asked) == 1
    clock.now += 15
    asking()
    assert len(asked) == 2


def test_a_password_that_cannot_be_read_is_a_database_that_does_not_answer():
    """The whole page of metrics was gone, and each question for it a traceback in the log."""

    def connect():
        raise PublishError("/etc/historian.secret: cannot be read: Permission denied")

    assert Asking(connect, HistorianConfig(), SystemClock())() == Said(up=False)
