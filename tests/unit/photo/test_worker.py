"""The process that reads photos: it serves, it has limits, and its end is one clear line."""

import io
import struct
import sys
import zlib
from types import SimpleNamespace

import pytest

from capture.driver.profile.display import Display
from capture.errors import InputError
from capture.extras import MissingExtraError
from capture.photo import child
from capture.photo.expect import Expectation
from capture.photo.store import MOST_BYTES
from capture.photo.worker import Limits, PhotoReader, PhotoReadError, receive, send
from simulators.display_photos import photograph

RESISTANCE = Expectation("resistance", ("U-V",))


def bomb(width, height):
    """A small PNG that claims very many pixels."""

    def chunk(kind, body):
        checked = kind + body
        return struct.pack("!I", len(body)) + checked + struct.pack("!I", zlib.crc32(checked))

    head = chunk(b"IHDR", struct.pack("!IIBBBBB", width, height, 8, 2, 0, 0, 0))
    body = chunk(b"IDAT", zlib.compress(b"\0" * 1000))
    return b"\x89PNG\r\n\x1a\n" + head + body + chunk(b"IEND", b"")


def test_photos_are_read_by_one_process_until_it_is_closed(monkeypatch):
    monkeypatch.setattr("capture.photo.worker._GOODBYE", 60.0)  # a busy machine takes longer
    photo = photograph(1003, "font", "single")
    expected = Expectation(photo.content.quantity, ("U-V",))
    reader = PhotoReader()
    with reader:
        first = reader.read(photo.encoded(), expected, Display())
        process = reader._process
        with pytest.raises(InputError, match="not a photo that can be read"):
            reader.read(b"GIF89a no photo", expected, Display())
        with pytest.raises(InputError, match="pixels"):
            reader.read(bomb(9000, 8000), expected, Display())
        assert reader.read(photo.encoded(), expected, Display()) == first
        assert reader._process is process
    assert first.proposals[0].digits == photo.content.values[0].digits
    assert process.poll() == 0


def test_a_photo_that_takes_too_long_is_given_up():
    with PhotoReader(Limits(seconds=0.02)) as reader:
        with pytest.raises(PhotoReadError, match=r"longer than 0\.02 s") as caught:
            reader.read(photograph(1003, "font", "single").encoded(), RESISTANCE, Display())
        assert reader._process is None
    assert "\n" not in str(caught.value)


def test_a_photo_that_takes_too_much_memory_is_given_up():
    """No library fits into what this process has already, so that whatever loads next fails."""
    with PhotoReader(Limits(memory=64 * 1024**2)) as reader:
        with pytest.raises(PhotoReadError) as caught:
            reader.read(photograph(1003, "font", "single").encoded(), RESISTANCE, Display())
        assert "\n" not in str(caught.value)


def test_more_bytes_than_are_taken_never_reach_the_process():
    reader = PhotoReader()
    with pytest.raises(InputError, match="bytes"):
        reader.read(b"\xff" * (MOST_BYTES + 1), RESISTANCE, Display())
    assert reader._process is None


def served(monkeypatch, data=b"no photo"):
    """Serve one request in this process, without its limits; give the answer."""
    monkeypatch.setattr(child, "limit", lambda limits: None)
    requests, answers = io.BytesIO(), io.BytesIO()
    display = {"quantity": "resistance", "points": ["U-V"], "display": {}}
    asked = {"what": "read", "kept": True, "limits": {}, **display}
    send(requests, asked, data)
    requests.seek(0)
    child.serve(requests, answers)
    answers.seek(0)
    return receive(answers)[0]


@pytest.mark.parametrize("module", ["rapidocr", "cv2", "zxingcpp"])
def test_without_the_extra_it_says_what_to_install_and_starts_nothing(monkeypatch, module):
    monkeypatch.setitem(sys.modules, module, None)
    reader = PhotoReader()
    with pytest.raises(MissingExtraError, match=rf"{module} missing.*benchtally\[photo\]"):
        reader.read(b"", RESISTANCE, Display())
    with pytest.raises(MissingExtraError):
        reader.codes(b"")
    assert reader._process is None


def test_whatever_native_code_raises_becomes_one_line(monkeypatch):
    def broken():
        raise RuntimeError("inside\nof it")

    monkeypatch.setattr(child, "_engine", broken)
    answer = served(monkeypatch)
    assert answer["kind"] == "read"
    assert answer["error"] == (
        "the photo could not be read (RuntimeError: inside of it); key the value"
    )


@pytest.mark.parametrize("cut", [0, 3, 8, 20])
def test_a_message_that_is_cut_off_is_the_end(cut):
    stream = io.BytesIO()
    send(stream, {"quantity": "resistance"}, b"photo")
    assert receive(io.BytesIO(stream.getvalue()[:cut])) is None
    assert receive(io.BytesIO(stream.getvalue())) == ({"quantity": "resistance"}, b"photo")


def test_a_size_that_no_message_has_is_refused():
    with pytest.raises(PhotoReadError, match="no answer"):
        receive(io.BytesIO(struct.pack("!II", 2**31, 0)))


def answered(answer, ask):
    """Ask a reader whose process answers so; give it and what it raised."""
    ended = []
    reader = PhotoReader()
    reader._process = SimpleNamespace(
        stdin=io.BytesIO(),
        stdout=io.BytesIO(answer),
        poll=lambda: None,
        kill=lambda: None,
        wait=lambda *_: ended.append(True),
    )
    with pytest.raises(PhotoReadError) as caught:
        ask(reader)
    assert "\n" not in str(caught.value)
    return ended, str(caught.value)


def framed(text, data=b""):
    return struct.pack("!II", len(text), len(data)) + text + data


@pytest.mark.parametrize("text", [b"{", b"\xff", b"[" * 100_000, b"[]", b"1", b'"x"', b"null"])
def test_what_is_no_message_ends_the_process_that_sent_it(text):
    """Native code that went astray may write anything; where its next answer begins is not known."""
    ended, said = answered(framed(text), lambda reader: reader.codes(b"photo"))
    assert "no answer" in said
    assert ended


@pytest.mark.parametrize(
    "text",
    [b"{}", b'{"codes": 5}', b'{"codes": [5]}', b'{"codes": [{}]}', b'{"proposals": {}}',
     b'{"error": {"a": 1}, "kind": []}', b'{"error": "two\\nlines", "kind": "other"}'],
)  # fmt: skip
@pytest.mark.parametrize("what", ["codes", "read"])
def test_a_message_that_is_no_answer_is_told_in_one_line(text, what):
    ask = {
        "codes": lambda reader: reader.codes(b"photo"),
        "read": lambda reader: reader.read(b"photo", RESISTANCE, Display()),
    }[what]
    answered(framed(text), ask)
