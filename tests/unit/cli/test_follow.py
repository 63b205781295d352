"""`benchtally follow`: what of the traffic a person is told, and what a program is."""

import json

import pytest

from capture.cli import follow
from capture.publish import subscriber as subscribing
from capture.publish.subscriber import Message

ROOT = "benchtally/v1/sawmill/bench-1"


def state(word, reason="", topic="state"):
    content = {"schema_version": 1, "state": word, "reason": reason, "instrument": "ohm-1"}
    if topic == "state":
        del content["instrument"]
    return Message(f"{ROOT}/{topic}", json.dumps(content).encode(), retained=True)


OF_OHM = "instrument/ohm-1/state"
ONLINE = state("online")
MESSAGES = [
    ONLINE,
    state("running", topic=OF_OHM),
    ONLINE,
    state("offline"),
    ONLINE,
    ONLINE,
    state("waiting", "no answer", OF_OHM),
    state("waiting", "no answer", OF_OHM),
    state("waiting", "unplugged", OF_OHM),
]
TOLD = [
    "state: the bench is online",
    "state: ohm-1 is running",
    "state: the bench is offline",
    "state: the bench is online",
    "state: ohm-1 is waiting (no answer)",
    "state: ohm-1 is waiting (unplugged)",
]


class Traffic:
    """What came of a broker, in place of a connection."""

    def __init__(self, *_given, **_more):
        pass

    def messages(self, _stop):
        yield from MESSAGES

    def close(self):
        pass


@pytest.fixture
def followed(run, monkeypatch):
    """Follow what came; give the lines that are printed."""
    monkeypatch.setattr(subscribing, "Subscriber", Traffic)

    def lines(*arguments):
        code, out, err = run("follow", *arguments)
        assert (code, err) == (0, "")
        return out.splitlines()

    return lines


def test_a_state_is_told_when_it_has_changed(followed):
    """It is retained: each connection brings it again."""
    assert followed() == TOLD


def test_what_is_shown_counts(followed):
    assert followed("--count", "4") == TOLD[:4]


def test_a_program_is_told_all_that_comes(followed):
    told = [json.loads(line) for line in followed("--json")]
    assert [each["payload"] for each in told] == [json.loads(each.payload) for each in MESSAGES]


def test_other_messages_come_as_often_as_they_come(capsys):
    odd = Message(f"{ROOT}/reading/ohm-1/resistance", b"[1, 2]", retained=False)
    states = {}
    assert follow._show(odd, as_json=False, states=states)
    assert follow._show(odd, as_json=False, states=states)
    assert len(capsys.readouterr().out.splitlines()) == 2
