"""Do the pages of a PDF show the record that is attached to it? Drawn again, they tell.

What is hashed, and stands in the journal, is the record; its pages are not. But the same record,
drawn by the same program, gives the same file byte by byte, so a file that comes out the same was
changed nowhere. Of one that another program drew, nothing can be said.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from capture.errors import CaptureError, InputError
from capture.extras import needs_extra
from capture.model.record import Record
from capture.records.pages import Photos, make_pages
from capture.records.pdf import Paper, drawn_by, pdf_of
from capture.records.tables import photos_of
from capture.records.texts import catalogue, languages

#: What is known of a PDF's pages: ``same``, byte by byte; ``changed``; drawn by
#: ``another-program``; ``without-photos``: some that they show are not at hand.
Known = Literal["same", "changed", "another-program", "without-photos"]

_LONGEST = 200  # characters of what a file says of who drew it
_LETTER_WIDTH = 612  # points; A4 is 595 wide


@dataclass(frozen=True, slots=True)
class Pages:
    """What is known of a PDF's pages.

    Attributes:
        drawn_by: what the file says drew it; outside text, empty where it says nothing.
        draws: what draws here.
    """

    known: Known
    drawn_by: str
    draws: str


def pages_of(path: Path, record: Record, photos: Photos) -> Pages:
    """Draw a PDF's record again, and hold the file against that.

    Raises:
        InputError: the file cannot be read.
        MissingExtraError: the part that draws records is not installed.
        DrawingError: the record cannot be drawn.
    """
    language, paper, by = _told(path)
    return Pages(_known(path, record, photos, language, paper, by), by[:_LONGEST], drawn_by())


def _known(
    path: Path, record: Record, photos: Photos, language: str, paper: Paper, by: str
) -> Known:
    if language in languages():
        again = pdf_of(record, make_pages(record, language, photos), paper)
        if again == path.read_bytes():
            return "same"
    if by != drawn_by():
        return "another-program"
    return "changed" if _all_there(record, photos) else "without-photos"


def _told(path: Path) -> tuple[str, Paper, str]:
    """Read in which language, on which paper and by what a PDF says it was drawn."""
    with needs_extra("drawing records", "records"):
        import pikepdf  # noqa: PLC0415 - an extra
    try:
        with pikepdf.open(path) as pdf:
            width = float(pdf.pages[0].mediabox[2])
            paper: Paper = "letter" if round(width) == _LETTER_WIDTH else "a4"
            return str(pdf.Root.get("/Lang", "")), paper, str(pdf.docinfo.get("/Keywords", ""))
    except (pikepdf.PdfError, IndexError, ValueError) as error:
        raise InputError(f"{path}: no PDF that can be read: {error}") from error


def _all_there(record: Record, photos: Photos) -> bool:
    for each in photos_of(record, catalogue("en")):
        try:
            photos(each["sha256"])
        except CaptureError:
            return False
    return True
