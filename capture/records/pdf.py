"""A record as PDF/A-3a, with its JSON attached, by typst."""

import hashlib
import json
import threading
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Literal

from capture import __version__
from capture.errors import CaptureError
from capture.extras import needs_extra
from capture.model.record import Record
from capture.records.fonts import FAMILY, font_files
from capture.records.glyphs import drawable
from capture.records.pages import Pages

Paper = Literal["a4", "letter"]

#: Archival, with files inside (ISO 19005-3), and with its structure told to those who cannot see.
STANDARD = "a-3a"
_PAPERS = {"a4": "a4", "letter": "us-letter"}
_LOCK = threading.Lock()


class DrawingError(CaptureError):
    """A record cannot be drawn; says why."""


def pdf_of(record: Record, pages: Pages, paper: Paper) -> bytes:
    """Draw a record.

    Raises:
        MissingExtraError: the part that draws records is not installed.
        DrawingError: it cannot be drawn.
    """
    day = record.time
    told = {
        **drawable(pages.sheet),
        "paper": _PAPERS[paper],
        "font": FAMILY,
        "author": f"{record.site}, {record.bench}",
        "date": [day.year, day.month, day.day],
        "drawn_by": drawn_by(),
    }
    given = {
        "main": _template(),
        "sheet.json": json.dumps(told).encode(),
        "record.json": record.text(),
        **{name: data for name, data in pages.files.items() if not _is_photo(name)},
    }
    compiler = _compiler()
    with needs_extra("drawing records", "records"):
        import typst  # noqa: PLC0415 - an extra
    try:
        # Photos are no text, so typst reads them from a folder, the only one that it may look into.
        # One compiler keeps the fonts; it is not for many threads at once.
        with _LOCK, TemporaryDirectory(prefix="benchtally-record-") as folder:
            for name in filter(_is_photo, pages.files):
                (Path(folder) / name).write_bytes(pages.files[name])
            made = compiler.compile(
                input=given,
                root=folder,
                format="pdf",
                pdf_standards=STANDARD,
                timestamp=int(day.timestamp()),
            )
    except (typst.TypstError, OSError) as error:
        raise DrawingError(f"the record cannot be drawn: {error}") from error
    return bytes(made)


def prepare_pages() -> None:
    """Import what draws pages, and read the fonts.

    Raises:
        MissingExtraError: the part that draws records is not installed.
    """
    _compiler()


@cache
def drawn_by() -> str:
    """Name what draws here; of another one, the same record may come out otherwise.

    Raises:
        MissingExtraError: the part that draws records is not installed.
    """
    parts = [f"benchtally {__version__}"]
    with needs_extra("drawing records", "records"):
        parts += [f"{each} {version(each)}" for each in ("typst", "matplotlib", "segno")]
    texts = sorted(files("capture.records.texts").iterdir(), key=lambda each: each.name)
    looks = hashlib.sha256(_template())
    for each in texts:
        if each.name.endswith(".toml"):
            looks.update(each.read_bytes())
    return f"{', '.join(parts)}, {looks.hexdigest()[:12]}"


def _is_photo(name: str) -> bool:
    return name.endswith(".jpg")


@cache
def _template() -> bytes:
    return (files("capture.records") / "record.typ").read_bytes()


@cache
def _compiler() -> Any:
    with needs_extra("drawing records", "records"):
        import typst  # noqa: PLC0415 - an extra
    # No font of this computer: the same record looks the same everywhere.
    return typst.Compiler(
        font_paths=[str(path.parent) for path in font_files()[:1]], ignore_system_fonts=True
    )
