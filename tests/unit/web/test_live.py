"""The bench as it is now, and what changes, as it changes."""

import json
import threading

import pytest

from capture.jobs.watcher import Watch
from capture.web import live


class Events:
    """A client of the stream: what has come so far."""

    def __init__(self, served, **query):
        self.found = []
        self.status = None
        self._changed = threading.Condition()
        self._response = None
        self._thread = threading.Thread(
            target=self._run, args=(served, query.pop("headers", {}), query), daemon=True
        )
        self._thread.start()
        self.wait(lambda: self.status is not None)

    def _run(self, served, headers, query):
        with (
            served.as_("onlooker") as client,
            client.stream("GET", "/api/events", params=query, headers=headers, timeout=None) as got,
        ):
            self._response = got
            with self._changed:
                self.status = got.status_code
                self._changed.notify_all()
            event = {}
            for line in got.iter_lines():
                name, _, value = line.partition(":")
                if name:
                    event[name] = value.strip()
                    continue
                with self._changed:
                    if line == "" and event:
                        self.found.append(event)
                        self._changed.notify_all()
                if line == "":
                    event = {}

    def wait(self, condition, seconds=10):
        with self._changed:
            assert self._changed.wait_for(condition, seconds), self.found

    def of(self, kind):
        return [json.loads(each["data"]) for each in self.found if each.get("event") == kind]

    def ended(self, seconds=10):
        self._thread.join(seconds)
        return not self._thread.is_alive()


@pytest.fixture
def events(served):
    """Open streams; all of them have ended when the server has."""
    opened = []

    def make(**query):
        opened.append(Events(served, **query))
        return opened[-1]

    yield make
    served.server.stop(10)
    assert all(each.ended() for each in opened)


def test_the_bench_tells_every_instrument_and_its_last_values(served, draft):
    served.append(draft(), draft(quantity="temperature", unit="Cel", value=21.5))
    served.append(draft(instrument="ohm-2", value=1.0))
    found = served.get("/api/bench")
    by_name = {each["instrument"]: each for each in found["instruments"]}
    assert by_name["ohm-1"]["state"] == "running"
    assert {each["quantity"] for each in by_name["ohm-1"]["last"]} == {"resistance", "temperature"}
    assert by_name["ohm-2"]["state"] is None
    assert found["watch"]["reason"] == "no job is running"
    assert found["last"] == 3


def test_a_stream_begins_after_the_entry_that_was_seen(served, events, drafts):
    made = drafts(3)
    served.append(*made[:2])
    stream = events(after=1)
    stream.wait(lambda: len(stream.of("reading")) == 1)
    served.append(made[2])
    stream.wait(lambda: len(stream.of("reading")) == 2)
    assert [each["sequence"] for each in stream.of("reading")] == [2, 3]
    ids = [each["id"] for each in stream.found if each.get("event") == "reading"]
    assert ids == ["2", "3"]


def test_a_stream_that_broke_goes_on_where_it_was(served, events, drafts):
    served.append(*drafts(4))
    stream = events(after=0, headers={"Last-Event-ID": "4"})
    served.append(*drafts(1))
    stream.wait(lambda: stream.of("reading"))
    assert [each["sequence"] for each in stream.of("reading")] == [5]


def test_thick_readings_are_thinned_and_the_newest_is_told(served, events, drafts):
    served.append(*drafts(400))
    stream = events(after=0)
    stream.wait(lambda: stream.of("reading"))
    assert [each["sequence"] for each in stream.of("reading")] == [400]


def test_states_and_the_watch_are_told_when_they_change(served, events):
    stream = events()
    stream.wait(lambda: stream.of("instrument") and stream.of("watch"))
    served.states = [{"instrument": "ohm-1", "state": "waiting", "reason": "unplugged"}]
    served.seen = Watch(reason="lift the leads, then put them on")
    served.changes.tell()
    stream.wait(lambda: len(stream.of("instrument")) == 2 and len(stream.of("watch")) == 2)
    assert stream.of("instrument")[1]["reason"] == "unplugged"


def test_of_a_job_only_its_own_entries_are_told(served, events):
    one = served.start()
    stream = events(after=0, job=one["job"])
    other = served.start()
    served.act(other, "noted", text="of the other")
    served.act(one, "noted", text="of this one")
    stream.wait(lambda: len(stream.of("job")) == 2)
    assert {each["job"] for each in stream.of("job")} == {one["job"]}


def test_of_a_test_voltage_and_its_discharge_every_job_is_told(served, events):
    """They lock, and open, every job of the machine: a page of another one is drawn anew."""
    one = served.start("insulation-one-minute")
    stream = events(after=one["last"], job=one["job"])
    other = served.start("insulation-one-minute")
    now = served.act(other, "applied", step="insulation", seconds=0.001)
    served.act(now, "noted", text="of the other")
    served.act(one, "noted", text="of this one")
    stream.wait(lambda: len(stream.of("job")) == 2)
    told = [(each["job"], each["event"]["action"]) for each in stream.of("job")]
    assert told == [(other["job"], "applied"), (one["job"], "noted")]


def test_no_more_streams_than_are_allowed(served, events, monkeypatch):
    monkeypatch.setattr(live, "MOST_STREAMS", 1)
    stream = events()
    stream.wait(lambda: stream.of("watch"))
    answer = served.client.get("/api/events")
    assert answer.status_code == 503
    assert "close one" in answer.json()["detail"]


def test_the_server_ends_while_streams_are_open(served, events):
    streams = [events() for _ in range(3)]
    for stream in streams:
        stream.wait(lambda each=stream: each.of("watch"))
    assert served.server.stop(10)
    assert all(stream.ended() for stream in streams)
