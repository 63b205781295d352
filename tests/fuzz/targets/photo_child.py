"""The process that reads photos and whoever asks it: any bytes on the way to it and on the way back.

The process ends or answers each whole message by proposals that its own model takes or by one line;
whoever asked gets proposals, codes, or one line. Texts on a photo may be any: the recogniser is
played here by one that reads what the input says, at places that the input says.
"""

import io
import itertools
import warnings
from types import SimpleNamespace

import numpy as np
from choices import Choices
from PIL import Image

from capture.driver.profile.display import Display
from capture.errors import InputError
from capture.model.photo import LabelCode, PhotoProposals
from capture.photo import child
from capture.photo.engine import ReadLine
from capture.photo.expect import Expectation
from capture.photo.worker import PhotoReader, PhotoReadError, receive, send

MUTATIONS = 40
_QUANTITIES = (
    "resistance",
    "insulation_resistance",
    "inductance",
    "pulse_time",
    "temperature",
    "x_own",
)
_POINTS = ((), ("U-V",), ("U-V", "V-W", "W-U"), ("U-V", "V-U", "V-W", "W-V", "W-U", "U-W"))
_DISPLAYS = (
    {},
    {"unit": "mOhm"},
    {"points": ["U-V", "V-W"]},
    {"ignore": ["[A-Z]+"]},
)
_LINES = b"842.1 m\xce\xa9\n0.8421\nU-V\nOL\n> 5.5 G\xce\xa9\n1.23 mH\n100 Hz\n21,5 \xc2\xb0C\n---"
warnings.simplefilter("ignore")


def _photo():
    out = io.BytesIO()
    Image.effect_noise((96, 48), 40).convert("RGB").save(out, "JPEG")
    return out.getvalue()


_PHOTO = _photo()


def seeds():
    """Give whole messages and answers, and displays with readings of several kinds."""
    for quantity, points in itertools.product(range(5), range(4)):
        yield bytes((0, quantity, points, (quantity + points) % 4, 7)) + _LINES
    out = io.BytesIO()
    asked = {"what": "codes", "kept": True, "limits": {}}
    send(out, asked, _PHOTO[:40])
    yield b"\1" + out.getvalue()
    send(out, asked | {"what": "read", "quantity": "resistance", "points": ["U-V"], "display": {}})
    yield b"\1" + out.getvalue()
    for answer in ({"codes": []}, {"codes": [{"text": "FAN-07", "machine": "FAN-07"}]}, [], "x", 1,
                   {"error": "a", "kind": "input"}, {"error": 1}, {"proposals": {}}, {}):  # fmt: skip
        out = io.BytesIO()
        send(out, answer)
        yield b"\2" + out.getvalue()
        yield b"\3" + out.getvalue()


def target(data):
    """Be one end of the pipe."""
    choices = Choices(data)
    choices.of((_read, _serve, _codes, _proposals))(choices)


def _read(choices):
    quantity, points = choices.of(_QUANTITIES), choices.of(_POINTS)
    display, seed = choices.of(_DISPLAYS), choices.byte()
    lines = choices.text().split("\n")[:5]
    asked = {"what": "read", "kept": True, "limits": {}, "quantity": quantity, "points": points,
             "display": display}  # fmt: skip
    requests, answers = io.BytesIO(), io.BytesIO()
    send(requests, asked, _PHOTO)
    requests.seek(0)
    _served(requests, answers, _Eyes(lines, seed))
    answers.seek(0)
    answer, rest = receive(answers)
    assert rest == b""
    if "error" in answer:
        # The one that is played here breaks nothing, so the recogniser is not to blame.
        raise AssertionError(answer["error"])
    found = PhotoProposals.model_validate(answer["proposals"])
    for text in found.other_texts:
        assert text.isprintable()


def _serve(choices):
    answers = io.BytesIO()
    try:
        _served(io.BytesIO(choices.rest()), answers, _Eyes(["1"], 1))
    except PhotoReadError as error:
        assert "\n" not in str(error)
    answers.seek(0)
    while (received := receive(answers)) is not None:
        answer, _ = received
        assert {"codes"} == set(answer) or {"proposals"} == set(answer) or _is_a_line(answer)


def _is_a_line(answer):
    return answer["kind"] in ("input", "read") and "\n" not in answer["error"] and answer["error"]


def _codes(choices):
    found = _asked(choices.rest(), lambda reader: reader.codes(b"x"))
    assert all(isinstance(each, LabelCode) for each in found)


def _proposals(choices):
    expected = Expectation("resistance", ("U-V",))
    found = _asked(choices.rest(), lambda reader: [reader.read(b"x", expected, Display())])
    assert all(isinstance(each, PhotoProposals) for each in found)


def _asked(answer, ask):
    """Ask a process that answers so; give nothing where it is told in one line that this failed."""
    reader = PhotoReader()
    reader._process = SimpleNamespace(
        stdin=io.BytesIO(), stdout=io.BytesIO(answer), poll=lambda: None, kill=lambda: None,
        wait=lambda *_: 0,
    )  # fmt: skip
    try:
        return ask(reader)
    except (InputError, PhotoReadError) as error:
        assert "\n" not in str(error)
        return []


def _served(requests, answers, eyes):
    # In this process, so without the limits on it and without the models.
    kept = child.limit, child._engine
    child.limit, child._engine = (lambda _limits: None), (lambda: eyes)
    try:
        child.serve(requests, answers)
    finally:
        child.limit, child._engine = kept


class _Eyes:
    """Reads what it was told to read, line after line, at places that follow from a seed."""

    def __init__(self, lines, seed):
        self._lines = itertools.cycle(lines or [""])
        self._count = len(lines)
        self._dice = np.random.default_rng(seed)

    def find(self, picture):
        height, width = picture.shape[:2]
        boxes = []
        for row in range(self._count):
            left, top = self._dice.uniform(0, width * 0.6), (row + 0.2) * height / self._count
            right, bottom = left + self._dice.uniform(4, width * 0.4), top + height / self._count
            boxes.append(np.array([[left, top], [right, top], [right, bottom], [left, bottom]]))
        return boxes

    def read(self, crops):
        return [self._line(next(self._lines)) for _ in crops]

    def _line(self, text):
        sure = tuple(float(each) for each in self._dice.uniform(0.2, 1.0, len(text)))
        places = tuple((number + 0.5) / len(text) for number in range(len(text)))
        return ReadLine(text, sure, places)
