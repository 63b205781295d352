"""`benchtally photo`: proposals as JSON, of a step or of a quantity; nothing is stored."""

import json
import subprocess
import sys

import pytest

from capture.driver.profile.display import Display
from capture.errors import InputError
from capture.extras import MissingExtraError
from capture.model.photo import Crop, LabelCode, PhotoProposals
from capture.photo.expect import Expectation
from capture.photo.worker import PhotoReader
from simulators.display_photos import photograph
from simulators.displays import content

PAIRS = ("U-V", "V-W", "W-U")
PULSES = next(seed for seed in range(99) if content(seed, "font", "list").quantity == "pulse_time")


@pytest.fixture(scope="module")
def taken():
    """The bytes of a photo of a display with six times."""
    return photograph(PULSES, "font", "list").encoded()


@pytest.fixture
def picture(tmp_path, taken):
    path = tmp_path / "display.jpg"
    path.write_bytes(taken)
    return path


@pytest.fixture
def asked(monkeypatch):
    """Note what the reader is asked for, and read nothing."""
    noted = []

    def read(self, data, expected, display):
        noted.append((expected, display))
        return PhotoProposals(photo="0" * 64, width=1, height=1)

    monkeypatch.setattr(PhotoReader, "read", read)
    return noted


def test_a_photo_gives_proposals_for_a_step_and_is_kept(run, picture, journal, tmp_path):
    code, out, err = run(
        "photo", str(picture), "--procedure", "pulse-three-pairs", "--step", "pulse", "--keep"
    )
    assert (code, err) == (0, "")
    found = json.loads(out)
    truth = content(PULSES, "font", "list").values
    assert [(each["point"], each["digits"]) for each in found["proposals"]] == [
        (value.point, value.digits) for value in truth
    ]
    assert {each["quantity"] for each in found["proposals"]} == {"pulse_time"}
    assert not journal.exists()
    kept = [path.stem for path in tmp_path.rglob("*.jpg") if path != picture]
    assert kept == [found["photo"]]


def test_the_open_step_of_the_last_job_is_meant(jobs, asked, picture):
    jobs.start("pulse-three-pairs")
    jobs.do("photo", picture)
    jobs.do("photo", picture, "--job", "last", "--step", "pulse")
    assert asked == [(Expectation("pulse_time", PAIRS), Display())] * 2


def test_a_quantity_needs_no_step(run, asked, picture):
    run("photo", str(picture), "--quantity", "resistance", "--point", "U-V", "--point", "V-W")
    assert asked[0][0] == Expectation("resistance", ("U-V", "V-W"))


def test_a_profile_tells_of_the_display(run, asked, picture, tmp_path, monkeypatch):
    text = 'schema_version = 1\nname = "bridge"\nsummary = "shows only"\ndriver = "display-only"\n'
    (tmp_path / "bridge.toml").write_text(f"{text}[display]\ndecimals = 2\n")
    monkeypatch.setenv("BENCHTALLY_PROFILES", str(tmp_path))
    for name in ("bridge", str(tmp_path / "bridge.toml")):
        code, _, err = run("photo", str(picture), "--quantity", "resistance", "--profile", name)
        assert (code, err) == (0, "")
    assert [display for _, display in asked] == [Display(decimals=2)] * 2


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (("--quantity", "resistence"), "is not known"),
        (("--quantity", "resistance", "--step", "pulse"), "--quantity stands alone"),
        (("--point", "U-V"), "--point belongs to --quantity"),
        (("--job", "last", "--procedure", "after-rewind"), "either --job or --procedure"),
        (("--procedure", "pulse-three-pairs", "--step", "no"), "there are pulse"),
        (("--quantity", "resistance", "--profile", "no"), "profile 'no' is not known"),
    ],
)
def test_what_cannot_be_is_said_in_one_line(run, asked, picture, arguments, complaint):
    code, out, err = run("photo", str(picture), *arguments)
    assert (code, out) == (2, "")
    assert complaint in err
    assert err.count("\n") == 1
    assert asked == []


def test_a_refusal_names_the_file(run, picture, monkeypatch):
    def read(*arguments):
        raise InputError("not a photo that can be read: JPEG, PNG or WebP are taken")

    monkeypatch.setattr(PhotoReader, "read", read)
    code, out, err = run("photo", str(picture), "--quantity", "pulse_time")
    assert (code, out) == (2, "")
    assert "display.jpg: not a photo that can be read" in err
    code, _, err = run("photo", str(picture.with_name("none.jpg")), "--quantity", "pulse_time")
    assert (code, "cannot be read" in err) == (2, True)


def test_without_the_extra_it_says_which(run, picture, monkeypatch):
    def read(*arguments):
        raise MissingExtraError("reading photos", "photo", ["cv2"])

    monkeypatch.setattr(PhotoReader, "read", read)
    code, out, err = run("photo", str(picture), "--quantity", "pulse_time")
    assert (code, out) == (2, "")
    assert "benchtally[photo]" in err


def test_neither_command_nor_server_needs_the_extra():
    """Without it they start, and keyed entry works as before."""
    program = """
import sys
for name in ("rapidocr", "onnxruntime", "cv2", "zxingcpp", "PIL"):
    sys.modules[name] = None
import capture.cli.main, capture.cli.photo, capture.photo.worker, capture.photo.labels
import capture.web.application
"""
    subprocess.run([sys.executable, "-P", "-c", program], check=True, timeout=60)


def test_a_label_finds_its_machine(jobs, picture, monkeypatch):
    crop = Crop(left=0, top=0, width=9, height=9)
    code = LabelCode(text="fan-07", format="QR Code", crop=crop)
    monkeypatch.setattr(PhotoReader, "codes", lambda *args, **more: [code])
    jobs.start("pulse-three-pairs")
    found = json.loads(jobs.do("machine", "find", "--photo", picture, "--json"))
    assert found["machine"] == "FAN-07"
    assert "FAN-07 is named by the label" in jobs.do("machine", "find", "--photo", picture)
    monkeypatch.setattr(PhotoReader, "codes", lambda *args, **more: [])
    assert "no code was found" in jobs.do("machine", "find", "--photo", picture, code=2)
