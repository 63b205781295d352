"""A record in the form that somebody asks for."""

from dataclasses import dataclass
from typing import Literal, get_args

from capture.display import clean
from capture.model.record import Record
from capture.records.html import html_of
from capture.records.pages import Photos, make_pages
from capture.records.pdf import Paper, pdf_of
from capture.records.table import csv_of

Form = Literal["pdf", "html", "json", "csv"]
FORMS: tuple[Form, ...] = get_args(Form)
MEDIA_TYPES: dict[Form, str] = {
    "pdf": "application/pdf",
    "html": "text/html; charset=utf-8",
    "json": "application/json",
    "csv": "text/csv; charset=utf-8",
}


@dataclass(frozen=True, slots=True)
class Wish:
    """How a record is to be drawn."""

    form: Form = "pdf"
    language: str = "en"
    paper: Paper = "a4"


def drawn(record: Record, wish: Wish, photos: Photos) -> bytes:
    """Draw a record. JSON is the record itself, byte by byte.

    Raises:
        InputError: there is no such language.
        MissingExtraError: the part that draws records is not installed.
        DrawingError: it cannot be drawn.
    """
    match wish.form:
        case "json":
            return record.text()
        case "csv":
            return csv_of(record, wish.language)
        case "html":
            return html_of(make_pages(record, wish.language, photos))
        case "pdf":
            return pdf_of(record, make_pages(record, wish.language, photos), wish.paper)


def file_name(record: Record, form: Form) -> str:
    """Give a name for a record's file: machine, day, version; nothing that a system minds."""
    machine = "".join(c if c.isalnum() and c.isascii() else "-" for c in clean(record.machine.id))
    version = "draft" if record.state == "draft" else f"v{record.version}"
    version += "" if record.voided is None else "-void"
    job = str(record.job)[-6:]  # two jobs of one machine on one day stay apart
    return f"record-{machine}-{record.started:%Y%m%d}-{job}-{version}.{form}"
