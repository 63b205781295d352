"""What comes from a broker: entries, what benches say of themselves, requests, Sparkplug commands.

A message becomes a row that says what its topic says and holds its exact text, or is refused in
words; nothing else is raised.
"""

import json
import uuid
from pathlib import Path

from choices import Choices

from capture.errors import InputError
from capture.historian.intake import COLUMNS, UnfitMessage, row_of
from capture.historian.words import word_of
from capture.publish.resend import LONGEST_RANGE, EntriesRequest, ListRequest, read_request
from capture.publish.sparkplug.host import PrimaryHost
from capture.publish.sparkplug.node import EdgeNode, asks_for_rebirth

MUTATIONS = 1200
_EXAMPLES = Path(__file__).resolve().parents[3] / "schemas" / "examples"
_ABOUT = {
    "reading": ("instrument", "quantity"),
    "tag": ("instrument",),
    "gap": ("instrument",),
    "record": ("job",),
    "result": ("job",),
}
#: Good messages that are small enough to be changed often.
_VALID = tuple(
    (kind, path.read_text("utf-8"))
    for kind in _ABOUT
    for path in sorted((_EXAMPLES / kind / "valid").glob("*.json"))
)
_JOURNAL = "01990000-0000-7000-8000-000000000001"
_WORDS = (
    ("state", f'{{"schema_version":1,"state":"online","journal":"{_JOURNAL}","head":{{"n":7}}}}'),
    (
        "resent",
        '{"schema_version":1,"request":"r","instrument":"ohm-1","first":1,"last":2,"sent":2}',
    ),
    (
        "resent",
        (
            f'{{"schema_version":1,"request":"r","journal":"{_JOURNAL}","begins_after":0,"after":0,'
            f'"after_hash":null,"reached":9,"reached_hash":null,"entries":[[3,"tag","{_JOURNAL}"]],'
            '"sequences":{"ohm-1":[1,7]}}'
        ),
    ),
)
_BIGGEST = (1 << 63) - 1


def seeds():
    """Give every example of the schemas under its topic, and one of each other message."""
    for kind, about in _ABOUT.items():
        for path in sorted((_EXAMPLES / kind).glob("*/*.json")):
            said = json.loads(path.read_text("utf-8"))
            where = "/".join(str(said.get(name)) for name in about)
            topic = f"benchtally/v1/{said.get('site')}/{said.get('bench')}/{kind}/{where}"
            text = json.dumps(said, ensure_ascii=False, separators=(",", ":"))
            yield b"\0" + f"{topic}\n{text}".encode()
    for number in range(len(_VALID)):
        for place in range(0, 60, 7):
            for value in (b"null", b"-1", b'"0001-01-01T00:00:00+23:00"', b"1e400", b"[]", b'"<"'):
                yield bytes((4, number, place)) + value
    request = {"id": "r-1", "instrument": "ohm-1", "first": 3, "last": 9}
    yield b"\1" + json.dumps(request).encode()
    yield b"\1" + b'{"id": "r-2", "list_after": 7}'
    yield b"\1" + b'{"id": "r-3", "first_entry": 1, "last_entry": 90}'
    yield b"\1" + b"[" * 900
    for kind, said in _WORDS:
        yield b"\5" + f"benchtally/v1/sawmill/bench-1/{kind}\n{said}".encode()
    yield b"\2" + json.dumps({"online": True, "timestamp": 1}).encode()
    yield b"\2" + b"[" * 3000
    node = EdgeNode("sawmill", "bench-1")
    yield b"\3" + node.nbirth(7, 1)
    yield b"\3" + EdgeNode.ndeath(7)


def target(data):
    """Let one reader read a message."""
    choices = Choices(data)
    choices.of((_historian, _request, _host, _command, _changed, _word))(choices.rest())


def _historian(data):
    topic, _, payload = data.partition(b"\n")
    # The library gives a topic as text; where it is no UTF-8, it ends the connection.
    topic = topic.decode("utf-8", "replace")
    try:
        row = row_of(topic, payload)
    except UnfitMessage as error:
        assert str(error)
        return
    columns = dict(zip(COLUMNS[row.table], row.columns, strict=True))
    assert columns["body"].encode() == payload
    assert isinstance(columns["id"], uuid.UUID)
    assert row.time.tzinfo is not None
    assert row.time.utcoffset().total_seconds() == 0
    parts = topic.split("/")
    assert parts[2:4] == [columns["site"], columns["bench"]]
    for value in row.columns:
        # What PostgreSQL's own types hold.
        assert not isinstance(value, int) or -_BIGGEST - 1 <= value <= _BIGGEST
        assert not isinstance(value, str) or "\0" not in value


def _word(data):
    topic, _, payload = data.partition(b"\n")
    try:
        found = word_of(topic.decode("utf-8", "replace"), payload)
    except UnfitMessage as error:
        assert str(error)
        return
    if found is not None:
        site, bench, _ = found
        assert topic.startswith(f"benchtally/v1/{site}/{bench}/".encode())


def _changed(data):
    """Put something else into one place of a good message: that goes past the first check."""
    choices = Choices(data)
    kind, said = choices.of(_VALID)
    said = json.loads(said)
    places = list(_places(said))
    holder, key = places[choices.byte() % len(places)]
    holder[key] = "\0here\0"
    about = "/".join(str(said.get(name)) for name in _ABOUT[kind])
    topic = f"benchtally/v1/{said.get('site')}/{said.get('bench')}/{kind}/{about}".encode()
    text = json.dumps(said, ensure_ascii=False).encode()
    _historian(topic + b"\n" + text.replace(b'"\\u0000here\\u0000"', choices.rest()))


def _places(said):
    for key, value in said.items() if isinstance(said, dict) else enumerate(said):
        yield said, key
        if isinstance(value, dict | list):
            yield from _places(value)


def _request(data):
    try:
        request = read_request(data, retained=False)
    except InputError as error:
        assert "\n" not in str(error)
        return
    if isinstance(request, ListRequest):
        assert 0 <= request.list_after <= _BIGGEST
        return
    if isinstance(request, EntriesRequest):
        assert 1 <= request.first_entry <= request.last_entry <= _BIGGEST
        return
    assert 1 <= request.first <= request.last <= _BIGGEST
    assert request.last - request.first < LONGEST_RANGE


def _host(data):
    host = PrimaryHost("scada")
    for payload in data.split(b"\n"):
        before = host._newest
        try:
            host.take(payload)
        except ValueError:
            continue
        assert host._newest >= before
        assert isinstance(host.online, bool)


def _command(data):
    try:
        assert asks_for_rebirth(data) in (True, False)
    except ValueError as error:
        assert str(error)
