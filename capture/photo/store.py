"""Photos kept as evidence: decoded, stripped, encoded anew, named by what they hold.

What was uploaded is hostile until it has been decoded: only its pixels are kept. Position, owner
and whatever else a camera writes beside them are not.
"""

import hashlib
import io
import os
import re
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

from capture.errors import CaptureError, InputError
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


class MissingExtraError(CaptureError):
    """An optional part is not installed; says which one."""


class EvidenceStore:
    """A folder of photos, each under its SHA-256."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def add(self, data: bytes) -> Evidence:
        """Keep a photo; the same pixels are kept once.

        Raises:
            InputError: too large, or no photo in a format that is taken.
            MissingExtraError: Pillow is not installed.
        """
        encoded = _reencoded(data)
        digest = hashlib.sha256(encoded).hexdigest()
        path = self._path(digest)
        if not path.exists():
            self._write(path, encoded)
        return Evidence(kind="photo", sha256=digest, media_type="image/jpeg")

    def get(self, sha256: str) -> bytes:
        """Give a photo.

        Raises:
            InputError: there is none of this digest, or it is not what it was.
        """
        if not _DIGEST.match(sha256):
            raise InputError(f"{sha256[:80]!r} is no SHA-256: 64 hexadecimal digits in lower case")
        try:
            data = self._path(sha256).read_bytes()
        except FileNotFoundError as error:
            raise InputError(f"there is no photo {sha256}") from error
        if hashlib.sha256(data).hexdigest() != sha256:
            raise InputError(f"photo {sha256} was changed on the disk; it proves nothing any more")
        return data

    def has(self, sha256: str) -> bool:
        """Tell whether a photo is there."""
        return bool(_DIGEST.match(sha256)) and self._path(sha256).is_file()

    def _path(self, digest: str) -> Path:
        return self._folder / digest[:2] / f"{digest}.jpg"

    @staticmethod
    def _write(path: Path, data: bytes) -> None:
        """Write whole or not at all: a reading that names a photo outlives a crash with it."""
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(f".{path.name}.{os.getpid()}.{os.urandom(4).hex()}")
        with part.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
        if os.name == "posix":
            folder = os.open(path.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)


def _reencoded(data: bytes) -> bytes:
    if len(data) > MOST_BYTES:
        raise InputError(f"the photo has {len(data)} bytes; {MOST_BYTES} are taken at most")
    try:
        from PIL import Image, ImageOps, UnidentifiedImageError  # noqa: PLC0415 - an extra
    except ImportError as error:
        raise MissingExtraError(
            "photos need an extra; install it: pip install 'benchtally[photo]'"
        ) from error
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data), formats=_FORMATS) as opened:
                if opened.width * opened.height > MOST_PIXELS:
                    raise InputError(f"the photo has more than {MOST_PIXELS} pixels")
                upright = ImageOps.exif_transpose(opened).convert("RGB")
    except (
        UnidentifiedImageError,
        Image.DecompressionBombError,
        Image.DecompressionBombWarning,
        OSError,
        SyntaxError,
        ValueError,
        EOFError,
    ) as error:
        raise InputError("not a photo that can be read: JPEG, PNG or WebP are taken") from error
    upright.thumbnail((_LONGEST_SIDE, _LONGEST_SIDE))
    return _pixels_only(upright)


def _pixels_only(image: "Image") -> bytes:
    out = io.BytesIO()
    image.info.clear()  # comments and profiles would be written again
    image.save(out, "JPEG", quality=_QUALITY, exif=b"", icc_profile=None)
    return out.getvalue()
