"""Photos as evidence: only pixels are kept, whole, under their digest; all else is refused."""

import hashlib
import io
import random
import struct
import subprocess
import sys
import threading
import warnings
import zlib

import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from capture.errors import InputError, NotThereError
from capture.extras import MissingExtraError
from capture.photo import store as module
from capture.photo.store import EvidenceError, EvidenceStore

_ORIENTATION, _GPS, _ARTIST = 0x0112, 0x8825, 0x013B
_SECRETS = (b"Exif", b"somebody", b"GPS", b"a remark", b"ICC_PROFILE", b"http://ns.adobe.com")
LEFT, RIGHT = (200, 30, 30), (30, 30, 200)


@pytest.fixture
def evidence(tmp_path):
    """A folder of photos that does not exist yet."""
    return EvidenceStore(tmp_path / "evidence")


def picture(size=(64, 32)):
    """A picture whose left half is red and whose right half is blue."""
    image = Image.new("RGB", size, LEFT)
    image.paste(RIGHT, (size[0] // 2, 0, size[0], size[1]))
    return image


def encoded(image, form="JPEG", *, orientation=None, **more):
    """Write a picture as a camera does, with its position and owner."""
    exif = image.getexif()
    exif[_GPS] = {1: "N", 2: (61.0, 30.0, 0.0)}
    exif[_ARTIST] = "somebody"
    if orientation is not None:
        exif[_ORIENTATION] = orientation
    out = io.BytesIO()
    image.save(out, form, exif=exif, **more)
    return out.getvalue()


def files(evidence):
    """List every file in the folder, hidden ones too."""
    return sorted(path.name for path in evidence._folder.rglob("*") if path.is_file())


def corner(data):
    """Give the colour at the top left, as red, blue or something else."""
    red, _green, blue = Image.open(io.BytesIO(data)).convert("RGB").getpixel((2, 2))
    return "red" if red > blue + 50 else "blue" if blue > red + 50 else "neither"


# ── what is kept ─────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_only_the_pixels_are_kept(evidence, form):
    """Position, owner, remarks and profiles go; the picture stays."""
    more = {"comment": b"a remark", "icc_profile": b"ICC_PROFILE"} if form == "JPEG" else {}
    given = encoded(picture(), form, **more)
    assert b"somebody" in given
    kept = evidence.get(evidence.add(given).sha256)
    assert not [secret for secret in _SECRETS if secret in kept]
    image = Image.open(io.BytesIO(kept))
    assert (image.format, image.size) == ("JPEG", (64, 32))
    assert not image.getexif()
    assert corner(kept) == "red"


def test_a_text_in_a_png_is_not_kept(evidence):
    info = PngInfo()
    info.add_text("Comment", "a remark")
    given = encoded(picture(), "PNG", pnginfo=info)
    assert b"a remark" not in evidence.get(evidence.add(given).sha256)


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize(
    ("orientation", "size", "colour"),
    # Where row 0 and column 0 of the stored picture are seen: TIFF 6.0, tag 274 (from memory, sure).
    [
        (1, (64, 32), "red"),
        (2, (64, 32), "blue"),
        (3, (64, 32), "blue"),
        (4, (64, 32), "red"),
        (5, (32, 64), "red"),
        (6, (32, 64), "red"),
        (7, (32, 64), "blue"),
        (8, (32, 64), "blue"),
    ],
)
def test_a_photo_stands_upright(evidence, form, orientation, size, colour):
    given = encoded(picture(), form, orientation=orientation)
    kept = evidence.get(evidence.add(given).sha256)
    assert Image.open(io.BytesIO(kept)).size == size
    assert corner(kept) == colour


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_an_orientation_that_means_nothing_turns_nothing(evidence, orientation):
    kept = evidence.get(evidence.add(encoded(picture(), orientation=orientation)).sha256)
    assert corner(kept) == "red"


def test_damaged_metadata_do_not_cost_the_photo(evidence):
    """The pixels prove the reading; what stands beside them is thrown away in any case."""
    given = bytearray(encoded(picture(), orientation=6))
    at = given.index(b"Exif\0\0") + 6
    given[at : at + 12] = b"\xff" * 12
    assert corner(evidence.get(evidence.add(bytes(given)).sha256)) == "red"


def test_the_same_pixels_are_kept_once(evidence):
    one = evidence.add(encoded(picture(), "PNG"))
    other = evidence.add(encoded(picture(), "PNG", orientation=1))
    assert one == other
    assert files(evidence) == [f"{one.sha256}.jpg"]
    assert hashlib.sha256(evidence.get(one.sha256)).hexdigest() == one.sha256
    assert one.media_type == "image/jpeg"


def test_a_large_photo_is_made_smaller_in_proportion(evidence):
    kept = evidence.get(evidence.add(encoded(picture((4800, 1200)))).sha256)
    assert Image.open(io.BytesIO(kept)).size == (2400, 600)


# ── what is refused ──────────────────────────────────────────────────────────────────────────


def other_format(form):
    out = io.BytesIO()
    picture().save(out, form)
    return out.getvalue()


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(b"", id="nothing"),
        pytest.param(b"U-V 842.1 mOhm\r\n" * 100, id="text with .jpg behind its name"),
        pytest.param(b"\xff\xd8\xff\xe0" + b"\0" * 100, id="only the head of a JPEG"),
        pytest.param(b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>", id="SVG"),
        pytest.param(b"<?xml version='1.0'?><svg/>", id="SVG with a head"),
        pytest.param(other_format("GIF"), id="GIF"),
        pytest.param(other_format("TIFF"), id="TIFF"),
        pytest.param(other_format("BMP"), id="BMP"),
        pytest.param(b"%PDF-1.7\n", id="PDF"),
    ],
)
def test_what_is_no_photo_is_refused(evidence, data):
    with pytest.raises(InputError, match="JPEG, PNG or WebP are taken"):
        evidence.add(data)
    assert files(evidence) == []


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("part", [0.2, 0.5, 0.9])
def test_a_truncated_photo_is_refused(evidence, form, part):
    given = encoded(Image.effect_noise((200, 200), 60).convert("RGB"), form)
    with pytest.raises(InputError, match="JPEG, PNG or WebP are taken"):
        evidence.add(given[: int(len(given) * part)])
    assert files(evidence) == []


def test_too_many_bytes_are_refused_before_they_are_looked_at(evidence):
    with pytest.raises(InputError, match="12000001 bytes; 12000000 are taken at most"):
        evidence.add(b"\xff" * (module.MOST_BYTES + 1))


def png_of(width, height):
    """A PNG that says it is so large, and holds no more than its first rows."""

    def chunk(name, data):
        crc = struct.pack(">I", zlib.crc32(name + data))
        return struct.pack(">I", len(data)) + name + data + crc

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    rows = zlib.compress(b"\0" * 100_000)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


@pytest.mark.filterwarnings("ignore::PIL.Image.DecompressionBombWarning")
@pytest.mark.parametrize("side", [7800, 10_000, 60_000])
def test_a_decompression_bomb_is_refused_undecoded(evidence, side):
    """61 million pixels are over our limit, 100 over Pillow's warning, 3600 over its error."""
    with pytest.raises(InputError, match=r"pixels|are taken"):
        evidence.add(png_of(side, side))
    assert files(evidence) == []


def test_no_damage_ends_in_anything_but_a_refusal(evidence):
    """Bytes set at random where the heads are; nothing but InputError comes out."""
    chance = random.Random(3)
    seeds = [encoded(picture(), form, orientation=6) for form in ("JPEG", "PNG", "WEBP")]
    refused = 0
    for _ in range(600):
        data = bytearray(chance.choice(seeds))
        for _ in range(chance.randint(1, 12)):
            data[chance.randrange(min(len(data), 300))] = chance.randrange(256)
        try:
            evidence.add(bytes(data))
        except InputError:
            refused += 1
    assert refused > 300


def test_two_photos_at_once_leave_the_filters_of_warnings_alone(evidence):
    """They belong to the whole process: a thread that sets them back undoes what others set."""
    before = list(warnings.filters)
    threads = [
        threading.Thread(target=evidence.add, args=(encoded(picture((600 + n, 400))),))
        for n in range(8)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert warnings.filters == before
    assert len(files(evidence)) == 8


def test_without_pillow_the_extra_is_named(evidence, monkeypatch):
    monkeypatch.setitem(sys.modules, "PIL", None)
    with pytest.raises(MissingExtraError, match=r"benchtally\[photo\]"):
        evidence.add(b"\xff\xd8\xff")


# ── what is found again ──────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "digest",
    ["", "..", "../../etc/passwd", "a" * 63, "A" * 64, "a" * 64 + "\n", "g" * 64, "../" + "a" * 61],
)
def test_a_digest_is_a_digest_and_never_a_path(evidence, digest):
    with pytest.raises(InputError, match="is no SHA-256"):
        evidence.get(digest)
    assert not evidence.has(digest)


def test_a_photo_that_is_not_there_is_said_to_be_missing(evidence):
    with pytest.raises(NotThereError, match="there is no photo"):
        evidence.get("a" * 64)
    assert not evidence.has("a" * 64)


def test_a_photo_that_was_changed_on_the_disk_proves_nothing_until_it_comes_again(evidence):
    digest = evidence.add(encoded(picture())).sha256
    path = evidence._path(digest)
    path.write_bytes(path.read_bytes()[:-1] + b"\0")
    with pytest.raises(InputError, match="was changed on the disk"):
        evidence.get(digest)
    evidence.add(encoded(picture()))
    assert hashlib.sha256(evidence.get(digest)).hexdigest() == digest


# ── a disk that fails ────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_photo_that_cannot_be_written_leaves_nothing_behind(evidence, monkeypatch, call):
    """A full disk: one line says so, and no half file stays."""

    def full(*_):
        raise OSError(28, "No space left on device")

    if call == "fsync":
        monkeypatch.setattr(module.os, "fsync", full)
    else:
        monkeypatch.setattr(module.Path, "replace", full)
    with pytest.raises(EvidenceError, match="No space left on device"):
        evidence.add(encoded(picture()))
    assert files(evidence) == []


_DIES = """
import os, pathlib, sys
from capture.photo.store import EvidenceError, EvidenceStore
pathlib.Path.replace = lambda *_: os._exit(9)
EvidenceStore(pathlib.Path(sys.argv[1])).add(sys.stdin.buffer.read())
"""


def test_a_crash_before_the_name_is_given_leaves_no_photo(evidence, tmp_path):
    """A process that dies when all is written but the name: nothing is found under the digest."""
    given = encoded(picture())
    digest = EvidenceStore(tmp_path / "other").add(given).sha256
    program = [sys.executable, "-P", "-c", _DIES, str(evidence._folder)]
    assert subprocess.run(program, input=given, check=False, timeout=60).returncode == 9
    assert files(evidence)
    assert not evidence.has(digest)
    assert evidence.add(given).sha256 == digest
    assert evidence.has(digest)


def test_a_folder_that_is_a_file_is_said(tmp_path):
    (tmp_path / "evidence").write_text("not a folder", "utf-8")
    with pytest.raises(EvidenceError, match="cannot be kept in"):
        EvidenceStore(tmp_path / "evidence").add(encoded(picture()))
