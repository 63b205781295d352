"""A record's pages ready to be drawn: the sheet, its pictures, its photos, its code."""

import io
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

from capture.errors import CaptureError
from capture.extras import needs_extra
from capture.model.record import Record
from capture.records.drawing import draw
from capture.records.moving import trend_plots
from capture.records.plots import plots_of
from capture.records.sheet import sheet
from capture.records.tables import Table, photos_of
from capture.records.texts import catalogue

#: Gives a photo by its SHA-256; raises a `CaptureError` where it cannot.
Photos = Callable[[str], bytes]

_JPEG = b"\xff\xd8\xff"


@dataclass(frozen=True, slots=True)
class Pages:
    """Everything that the PDF and the page are drawn from.

    Attributes:
        sheet: what they say, with ``plots`` and ``photos`` that name files.
        files: those files by name: pictures, photos and the code.
    """

    sheet: dict[str, Any]
    files: dict[str, bytes]


def code_of(record: Record) -> str:
    """Give what the QR code holds: the record's id, its version and its hash."""
    return f"urn:benchtally:record:{record.record}:{record.version}:{record.sha256}"


def make_pages(record: Record, language: str, photos: Photos) -> Pages:
    """Make a record's pages ready to be drawn.

    Raises:
        InputError: there is no such language.
        MissingExtraError: the part that draws records is not installed.
    """
    with needs_extra("drawing records", "records"):
        import matplotlib as mpl  # noqa: PLC0415 - heavy, and an extra
        import segno  # noqa: PLC0415 - an extra
    del mpl
    text = catalogue(language)
    made = sheet(record, text)
    files: dict[str, bytes] = {}
    made["plots"] = []
    for plot in (*plots_of(record, text), *trend_plots(record.trends, text)):
        files[f"{plot.name}.svg"] = draw(plot, text)
        made["plots"].append({"file": f"{plot.name}.svg", "caption": plot.caption, "alt": plot.alt})
    made["photos"] = []
    for each in photos_of(record, text):
        data = _photo(photos, each["sha256"])
        name = "" if data is None else f"{each['sha256']}.jpg"
        if data is not None:
            files[name] = data
        caption = each["missing"] if data is None else each["caption"]
        made["photos"].append({"file": name, "caption": caption})
    out = io.BytesIO()
    code = code_of(record)
    segno.make(code, error="m", micro=False).save(
        out, kind="svg", scale=4, border=4, dark="#000", light="#fff", xmldecl=False
    )
    files["qr.svg"] = out.getvalue()
    made["proof"]["qr"] = code
    return Pages(_plain(made), files)


def _photo(photos: Photos, digest: str) -> bytes | None:
    """Give a photo; None where it is gone or is not what it was."""
    try:
        data = photos(digest)
    except CaptureError:
        return None
    return data if data.startswith(_JPEG) else None


def _plain(value: Any) -> Any:
    """Write tables as members."""
    if isinstance(value, Table):
        return asdict(value)
    if isinstance(value, dict):
        return {name: _plain(each) for name, each in value.items()}
    if isinstance(value, list):
        return [_plain(each) for each in value]
    return value
