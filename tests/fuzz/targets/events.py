"""The stream of what changes: any query and any Last-Event-ID, by somebody who is logged in or not.

It begins or is refused by a problem document. Of the journal's entries each event holds one as it is
stored, with its number as id, numbers only grow and come after what was named, and with a job no
entry of another one is told. When the client has gone, nothing waits for it any more.
"""

import json
import warnings
from urllib.parse import parse_qs

from choices import Choices
from served import close, filled, served

from capture.journal import JournalReader

__all__ = ["MUTATIONS", "close", "seeds", "target"]
MUTATIONS = 120
_NAMED = frozenset({"reading", "tag", "gap", "machine", "job", "result", "record"})
_OF_A_JOB = frozenset({"job", "result", "record"})
_LAST = b"event: instrument\n"  # of what a stream begins with
_FIELDS = frozenset({"event", "id", "data", "retry"})
warnings.simplefilter("ignore")


def seeds():
    """Give queries that begin somewhere, of a job and of none, and going on after a break."""
    for query in (b"", b"after=0", b"after=1", b"job={job}", b"after=0&job={job}", b"job={new}&after=0",
                  b"after=4611686018427387903", b"after=-1", b"after=x", b"job=last", b"after=1&after=0"):  # fmt: skip
        yield b"\0" + query
    for last in (b"0", b"1", b"-1", b"9" * 40, b"x", b"\xb2", b"1, 2", b""):
        yield b"\0after=0\n" + last
        yield b"\0after=0&job={job}\n" + last
    yield b"\1after=0\n0"


def target(data):
    """Listen for as long as the bench tells how it is, then go."""
    choices = Choices(data)
    inside = choices.byte() & 1 == 0
    query, told, last = choices.rest().partition(b"\n")
    bench = served()
    query = filled(query, bench.words).encode("utf-8", "surrogateescape")
    # What no address and no header can hold never comes past the server's own parser.
    query = bytes(byte for byte in query if 0x20 < byte < 0x7F)
    last = bytes(byte for byte in last if byte >= 0x20 and byte != 0x7F).strip()
    headers = [(b"last-event-id", last)] if told else []
    status, answered, text = bench.ask(
        "GET", "/api/events", query, headers, b"", inside=inside, until=_has_begun
    )
    assert bench.bench.changes.count() == 0, "somebody still waits for who has gone"
    if status != 200:
        assert status == (400 if inside else 401), (status, text[:300])
        assert answered[b"content-type"] == b"application/problem+json"
        assert json.loads(text)["status"] == status
        return
    assert inside
    assert answered[b"content-type"].startswith(b"text/event-stream")
    events = [_event(each) for each in text.decode().split("\n\n") if each]
    after = int(last[:18]) if last.isdigit() else -1
    asked = parse_qs(query.decode())
    job = bench.words["{job}"] if asked.get("job") == [bench.words["{job}"]] else None
    with bench.bench.reader() as reader:
        _hold(events, after, job, reader)


def _has_begun(text):
    return _LAST in text


def _event(text):
    members = {}
    for line in text.split("\n"):
        name, _, value = line.partition(":")
        if name:
            assert name in _FIELDS
            assert name not in members
            members[name] = value.removeprefix(" ")
    return members


def _hold(events, after, job, reader: JournalReader):
    kept = {row.n: row for row in reader.after(0, 5000)}
    for event in events:
        if "data" in event:
            json.loads(event["data"])
        if event.get("event") not in _NAMED:
            assert event.get("event") in ("instrument", "watch", None), event
            assert "id" not in event
            continue
        n = int(event["id"])
        assert n > after
        after = n
        row = kept[n]
        assert event["event"] == row.kind
        assert event["data"].encode() == row.body
        if job is not None and row.kind in _OF_A_JOB:
            assert row.subject == job
