"""Photos kept as evidence: decoded, stripped, encoded anew, named by what they hold.

What was uploaded is hostile until it has been decoded: only its pixels are kept. Position, owner
and whatever else a camera writes beside them are not.
"""

import hashlib
import io
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

from capture.errors import CaptureError, InputError, NotThereError
from capture.extras import needs_extra
from capture.model import Evidence

if TYPE_CHECKING:
    from PIL.Image import Image

#: Most bytes that are taken.
MOST_BYTES = 12_000_000
#: Most pixels that are decoded; a photo of a telephone has 12 to 50 million.
MOST_PIXELS = 60_000_000
_LONGEST_SIDE = 2400  # pixels kept: a display's digits stay readable
_QUALITY = 88
_FORMATS = ("JPEG", "PNG", "WEBP")
_DIGEST = re.compile(r"[0-9a-f]{64}\Z")


#: How pixels are turned upright, by the orientation that stands in the EXIF (tag 0x0112 of TIFF 6.0
#: and Exif 2.3): names of `PIL.Image.Transpose`.
_ORIENTATION = 0x0112
_UPRIGHT = {
    2: "FLIP_LEFT_RIGHT",
    3: "ROTATE_180",
    4: "FLIP_TOP_BOTTOM",
    5: "TRANSPOSE",
    6: "ROTATE_270",
    7: "TRANSVERSE",
    8: "ROTATE_90",
}


class EvidenceError(CaptureError):
    """The folder of photos cannot be read or written; says why."""


class EvidenceStore:
    """A folder of photos, each under its SHA-256."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def add(self, data: bytes) -> Evidence:
        """Keep a photo; the same pixels are kept once.

        Raises:
            InputError: too large, or no photo in a format that is taken.
            MissingExtraError: Pillow is not installed.
            EvidenceError: it cannot be written; nothing is kept then.
        """
        encoded = reencoded(data)
        digest = hashlib.sha256(encoded).hexdigest()
        path = self._path(digest)
        try:
            # A file that is not what its name says is put right: its name says what belongs there.
            if not path.exists() or path.read_bytes() != encoded:
                self._write(path, encoded)
        except OSError as error:
            raise EvidenceError(
                f"the photo cannot be kept in {self._folder}: {error.strerror or error}"
            ) from error
        return Evidence(kind="photo", sha256=digest, media_type="image/jpeg")

    def get(self, sha256: str) -> bytes:
        """Give a photo.

        Raises:
            NotThereError: there is none of this digest.
            InputError: that is no digest, or the photo is not what it was.
            EvidenceError: it cannot be read.
        """
        if not _DIGEST.match(sha256):
            raise InputError(f"{sha256[:80]!r} is no SHA-256: 64 hexadecimal digits in lower case")
        try:
            data = self._path(sha256).read_bytes()
        except FileNotFoundError as error:
            raise NotThereError(f"there is no photo {sha256}") from error
        except OSError as error:
            raise EvidenceError(
                f"photo {sha256} cannot be read: {error.strerror or error}"
            ) from error
        if hashlib.sha256(data).hexdigest() != sha256:
            raise InputError(f"photo {sha256} was changed on the disk; it proves nothing any more")
        return data

    def has(self, sha256: str) -> bool:
        """Tell whether a photo is there."""
        return bool(_DIGEST.match(sha256)) and self._path(sha256).is_file()

    def _path(self, digest: str) -> Path:
        return self._folder / digest[:2] / f"{digest}.jpg"

    def _write(self, path: Path, data: bytes) -> None:
        """Write whole or not at all: a reading that names a photo outlives a crash with it."""
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(f".{path.name}.{os.getpid()}.{os.urandom(4).hex()}")
        try:
            with part.open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            part.replace(path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        # The name of the file, and that of a folder that was made for it.
        for folder in (path.parent, self._folder):
            _sync(folder)


def _sync(folder: Path) -> None:
    if os.name == "posix":
        held = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(held)
        finally:
            os.close(held)


def reencoded(data: bytes) -> bytes:
    """Decode a photo within bounds, turn it upright and encode its pixels anew, as JPEG.

    This is what is kept, hashed and read: everything that speaks of a photo speaks of these bytes.

    Raises:
        InputError: too large, or no photo in a format that is taken.
        MissingExtraError: Pillow is not installed.
    """
    if len(data) > MOST_BYTES:
        raise InputError(f"the photo has {len(data)} bytes; {MOST_BYTES} are taken at most")
    with needs_extra("decoding photos", "photo"):
        from PIL import Image  # noqa: PLC0415 - an extra
    try:
        opened = Image.open(io.BytesIO(data), formats=_FORMATS)
    except MemoryError:
        raise  # where memory is limited this says nothing of the photo
    except Exception as error:
        raise _no_photo() from error
    with opened:
        if opened.width * opened.height > MOST_PIXELS:
            raise InputError(f"the photo has more than {MOST_PIXELS} pixels")
        try:
            image = opened.convert("RGB")
        except MemoryError:
            raise
        except Exception as error:
            raise _no_photo() from error
        turn = _UPRIGHT.get(_orientation(opened))
    image.thumbnail((_LONGEST_SIDE, _LONGEST_SIDE))
    if turn is not None:
        image = image.transpose(Image.Transpose[turn])
    return _pixels_only(image)


def _no_photo() -> InputError:
    # What a decoder raises on hostile bytes is listed nowhere; struct.error is one that came.
    return InputError("not a photo that can be read: JPEG, PNG or WebP are taken")


def _orientation(image: "Image") -> int:
    """Give the orientation by the metadata; 0 where they tell none, or are damaged."""
    try:
        found = image.getexif().get(_ORIENTATION)
    except Exception:  # noqa: BLE001 - metadata are thrown away in any case; the pixels are sound
        return 0
    return found if isinstance(found, int) else 0


def _pixels_only(image: "Image") -> bytes:
    out = io.BytesIO()
    image.info.clear()  # comments and profiles would be written again
    image.save(out, "JPEG", quality=_QUALITY, exif=b"", icc_profile=None)
    return out.getvalue()
