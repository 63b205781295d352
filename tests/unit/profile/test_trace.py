"""Recording and reading traces: bytes with direction and time, and nothing is ever sent."""

import io
import json
import threading

import pytest

from capture.cli.main import _run
from capture.clock import ManualClock
from capture.errors import InputError, LinkOpenError
from capture.links import MemoryLink, Wire
from capture.runtime.trace import Chunk, TraceWriter, listen, read_trace


class Sending(MemoryLink):
    """A link whose instrument sends one piece at each read, and that counts what is written."""

    def __init__(self, wire, clock, pieces):
        super().__init__(wire)
        self.clock, self.pieces, self.wire, self.written = clock, list(pieces), wire, 0

    def read(self, limit, timeout):
        self.clock.advance(0.5)
        if self.pieces:
            piece = self.pieces.pop(0)
            if piece == "unplug":
                self.wire.unplug()
            elif piece == "plug":
                self.wire.plug()
            else:
                return piece, False
        return super().read(limit, 0.0)

    def open(self):
        if not self.wire.plugged and self.pieces[:1] == ["plug"]:
            self.pieces.pop(0)
            self.wire.plug()
        super().open()

    def write(self, data):
        self.written += 1


def recorded(pieces, seconds=5.0):
    clock, file = ManualClock(), io.StringIO()
    link = Sending(Wire(), clock, pieces)
    writer = TraceWriter(file, clock, "memory", {"baud": 9600})

    def take(data):
        writer.received(data)
        return False

    listen(link, seconds, clock, threading.Event(), take, writer.event)
    return [json.loads(line) for line in file.getvalue().splitlines()], link


def test_a_trace_is_lines_of_json_that_can_be_read_by_eye():
    """Text stays text, all else stands in hex, each with its time."""
    (head, *lines), _ = recorded([b" 512.4 MOhm\r\n", b"\x00\x01\xff", b"\x1b[2J"], 1.9)
    assert head == {
        "trace": 1,
        "link": "memory",
        "began": "2026-01-05T08:00:00.000000Z",
        "baud": 9600,
    }
    assert lines == [
        {"t": 0.0, "event": "opened", "text": "memory"},
        {"t": 0.5, "in": " 512.4 MOhm\r\n"},
        {"t": 1.0, "in_hex": "00 01 ff"},
        {"t": 1.5, "in_hex": "1b 5b 32 4a"},
    ]


def test_nothing_is_ever_sent():
    """A trace listens; a probe it is not."""
    _, link = recorded([b"1\n"] * 5)
    assert link.written == 0


def test_a_lost_link_is_noted_and_opened_again():
    """Bytes after a pulled cable are in the same trace."""
    (_, *lines), _ = recorded([b"1\r\n", "unplug", "plug", b"2\r\n"])
    said = [line.get("in") or line["event"] for line in lines]
    assert said == ["opened", "1\r\n", "lost", "opened", "2\r\n"]


def test_a_link_that_cannot_be_opened_is_an_error():
    """No empty trace of a port that is not there."""
    wire = Wire()
    wire.unplug()
    clock = ManualClock()
    with pytest.raises(LinkOpenError):
        listen(MemoryLink(wire), 1.0, clock, threading.Event(), lambda _: True, lambda *_: None)


def test_what_was_written_is_read_back(tmp_path):
    """Every byte, its direction and its time."""
    path, clock = tmp_path / "t.jsonl", ManualClock()
    every = bytes(range(256))
    with path.open("w", encoding="utf-8") as file:
        writer = TraceWriter(file, clock, "memory", {})
        writer.received(every)
        clock.advance(0.25)
        writer.sent(b"FETC?\n")
        writer.event("lost", "the cable was pulled")
    assert read_trace(path) == [
        Chunk(0.0, every, received=True),
        Chunk(0.25, b"FETC?\n", received=False),
    ]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("hello\n", "is no trace: line 1: not JSON"),
        ('{"trace": 1}\n{"t": NaN, "in": "x"}\n', "line 2: t or in is missing or wrong: t is nan"),
        ('{"trace": 1}\n{"t": 1' + "0" * 400 + ', "in": "x"}\n', "line 2: t or in is missing"),
        ("{}\n", "is no trace: line 1: expected"),
        ('{"trace": "2\\n3"}\n', "is of version '2\\n3', this Benchtally reads 1"),
        ('{"trace": 2}\n', "is of version 2, this Benchtally reads 1"),
        ('{"trace": 1}\n[]\n', "line 2: expected an object"),
        ('{"trace": 1}\n{"t": 1, "in_hex": "0"}\n', "line 2: t or in_hex is missing or wrong"),
        ('{"trace": 1}\n{"in": "x"}\n', "line 2: t or in is missing or wrong"),
        ('{"trace": 1}\n{"t": 1, "in": "Ω"}\n', "line 2: t or in is missing or wrong"),
    ],
)
def test_what_is_no_trace_is_refused(tmp_path, text, words):
    """One line says which file, which line and why."""
    path = tmp_path / "t.jsonl"
    path.write_text(text, "utf-8")
    with pytest.raises(InputError) as caught:
        read_trace(path)
    assert words in str(caught.value)
    assert str(path) in str(caught.value)


def test_a_trace_that_ends_in_the_middle_of_a_line_is_read_so_far(tmp_path):
    """A recording may be killed."""
    path = tmp_path / "t.jsonl"
    path.write_text('{"trace": 1}\n{"t": 1, "in": "a"}\n{"t": 2, "in": "b', "utf-8")
    assert read_trace(path) == [Chunk(1.0, b"a", received=True)]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "name one: a serial PORT, --tcp HOST:PORT, or --instrument NAME"),
        (("/dev/x", "--tcp", "a:1"), "name one: "),
        (("--tcp", "nowhere"), "--tcp: found 'nowhere', expected HOST:PORT"),
        (("--tcp", "::1:5025"), "--tcp: found '::1:5025', expected HOST:PORT"),
        (("--tcp", "meter:²"), "--tcp: found 'meter:²', expected HOST:PORT"),
        (("--tcp", "meter:" + 5000 * "1"), "expected HOST:PORT"),
        (("/dev/x", "--baud", "1"), "baud: found 1, expected greater than or equal to 50"),
        (("/dev/x", "--parity", "odd-ish"), "parity: found 'odd-ish', expected 'none', 'even'"),
    ],
)
def test_a_command_line_that_names_no_link_is_wrong(
    tmp_path, monkeypatch, capsys, arguments, words
):
    """Exit code 2 and one line, before anything is opened or written."""
    out = tmp_path / "t.jsonl"
    monkeypatch.setattr("sys.argv", ["benchtally", "trace", *arguments, "--out", str(out)])
    assert _run() == 2
    assert words in capsys.readouterr().err
    assert not out.exists()
