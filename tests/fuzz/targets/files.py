"""Files that come from elsewhere: journal exports, traces, records, cursors, the publisher's feed.

Errors of the core in one line, or what was written: an imported journal exports the same bytes, a
trace gives bytes at finite times, a cursor is a number that a journal can have.
"""

import io
import json
import math
import os
import uuid
from pathlib import Path

from choices import Choices, cut
from legal import refused_in_words
from scratch import FOLDER, written

from capture.clock import ManualClock
from capture.errors import InputError, JournalError
from capture.journal.chain import facts_of, link, read_body
from capture.journal.transfer import export, import_into
from capture.publish.cursor import Cursor
from capture.publish.feed import Feed
from capture.records.verify import record_text, verify
from capture.runtime.trace import read_trace

MUTATIONS = 250
_EXAMPLES = Path(__file__).resolve().parents[3] / "schemas" / "examples"
_SIGNED = _EXAMPLES / "record" / "valid"
_TRACE = (
    '{"trace": 1, "link": "/dev/ttyUSB0", "began": "2026-11-25T08:00:00.000000Z"}\n'
    '{"t": 0.512344, "in": " 512.4 MOhm\\r\\n"}\n{"t": 1.5, "in_hex": "00 01 4a"}\n'
    '{"t": 1.6, "out": "FETC?\\n"}\n{"t": 2.0, "event": "lost", "text": "pulled"}\n'
)
_PDF = (
    b"%PDF-1.4\n1 0 obj\n<</Type/Catalog/Pages 2 0 R/Names<</EmbeddedFiles<</Names"
    b"[(record.json)3 0 R]>>>>>>\nendobj\n2 0 obj\n<</Type/Pages/Kids[]/Count 0>>\nendobj\n"
    b"3 0 obj\n<</Type/Filespec/F(record.json)/EF<</F 4 0 R>>>>\nendobj\n"
    b"4 0 obj\n<</Type/EmbeddedFile/Length 2>>\nstream\n{}\nendstream\nendobj\n"
    b"trailer\n<</Root 1 0 R/Size 5>>\n%%EOF"
)


def seeds():
    """Give one good file of each kind."""
    yield b"\0" + _exported()
    for kind in ("reading", "tag", "gap"):
        bodies = [
            json.dumps(json.loads(path.read_text("utf-8")), separators=(",", ":"))
            for path in sorted((_EXAMPLES / kind / "valid").glob("*.json"))
        ]
        yield b"\6" + "\n".join(bodies[:3]).encode()
        for body in bodies:
            yield b"\6" + body.encode()
    yield b"\1" + _TRACE.encode()
    yield b'\1{"trace": 1}\n{"t": ' + b"9" * 400 + b', "in": "x"}\n'
    yield b'\1{"trace": 1}\n{"t": NaN, "in": "x"}\n'
    for path in sorted(_SIGNED.glob("*.json")):
        said = json.loads(path.read_text("utf-8"))
        yield b"\2" + json.dumps(said, separators=(",", ":")).encode()
    yield b"\3" + _PDF
    yield b'\4{"journal": "j", "delivered": 12}'
    yield b'\4{"journal": "j", "delivered": 1e300}'
    yield b'\5\n\n{"instrument": "ohm-1", "state": "running"}\n{"instrument": "ohm-2"}\n'


def _exported():
    """Write the smallest export: a journal with nothing in it."""
    head = "0" * 64
    first = {"format": "benchtally-journal", "version": 1, "journal": "j",
             "base": {"n": 0, "hash": head}}  # fmt: skip
    last = {"end": True, "entries": 0, "head": head}
    return f"{json.dumps(first)}\n{json.dumps(last)}\n".encode()


def target(data):
    """Let one reader read a file."""
    choices = Choices(data)
    choices.of((_journal, _trace, _record, _pdf, _cursor, _feed, _entries))(choices.rest())


def _journal(data):
    path = Path(FOLDER.name) / f"{uuid.uuid4().hex}.journal"
    try:
        with refused_in_words(InputError, JournalError):
            import_into(path, io.BytesIO(data))
            out = io.BytesIO()
            moved = export(path, out)
            again = Path(f"{path}.again")
            out.seek(0)
            assert import_into(again, out) == moved
            return
        assert not path.exists()
        assert not path.with_name(path.name + ".importing").exists()
    finally:
        for each in Path(FOLDER.name).glob(f"{path.name}*"):
            each.unlink()


def _entries(data):
    """Put any bodies, one a line, into an export whose chain and kinds are right."""
    head, n, lines = bytes(32), 0, []
    for body in data.split(b"\n"):
        try:
            kind = facts_of(read_body(body)).kind
            text = body.decode()
        except ValueError:
            kind, text = "reading", body.decode("utf-8", "replace")
        head, n = link(head, text.encode()), n + 1
        lines.append(json.dumps({"n": n, "kind": kind, "hash": head.hex(), "body": text}))
    first, _ = _exported().splitlines()
    last = json.dumps({"end": True, "entries": n, "head": head.hex()})
    _journal(b"\n".join((first, *(line.encode() for line in lines), last.encode())))


def _trace(data):
    with refused_in_words(InputError):
        for chunk in read_trace(written("t.trace", data)):
            assert isinstance(chunk.data, bytes)
            assert math.isfinite(chunk.time)


def _record(data):
    with refused_in_words(InputError):
        found = verify(data, None)
        assert verify(found.record.text(), None).record == found.record


def _pdf(data):
    with refused_in_words(InputError):
        text = record_text(written("r.pdf", data))
        assert isinstance(text, bytes)


def _cursor(data):
    cursor = Cursor(written("c.cursor", data), "j")
    assert isinstance(cursor.delivered, int)
    assert 0 <= cursor.delivered < 1 << 63
    cursor.save(sync=False)
    assert Cursor(Path(FOLDER.name) / "c.cursor", "j").delivered == cursor.delivered


def _feed(data):
    # The daemon writes it, so its lines are whole and its own; where they are cut is the pipe's.
    said = [json.dumps({"instrument": each.decode("utf-8", "replace"), "state": "running"})
            for each in data.split(b"\n")]  # fmt: skip
    data = "\n\n".join(said).encode() + b"\n" + data.replace(b"\n", b" ")
    whole, pieces = _fed([data]), _fed(cut(data, 3))
    assert whole == pieces
    assert set(whole[0]) == {json.loads(each)["instrument"] for each in said}


def _fed(pieces):
    ours, theirs = os.pipe()
    try:
        feed = Feed(ours, ManualClock(), 1.0)
        for piece in pieces:
            os.write(theirs, piece)
            feed.read()
    finally:
        os.close(ours)
        os.close(theirs)
    return feed.states, list(feed.states_due)
