"""The fonts of records, from the package that ships them: no font of the system is used."""

from importlib.resources import files
from pathlib import Path

from capture.extras import needs_extra

FAMILY = "Source Sans Pro"
_NAMES = ("Regular", "Semibold", "Bold", "It")


def font_files() -> list[Path]:
    """Give the font's files, the regular one first.

    Raises:
        MissingExtraError: the part that draws records is not installed.
    """
    with needs_extra("drawing records", "records"):
        folder = files("font_source_sans_pro") / "files"
    return [Path(str(folder / f"SourceSansPro-{name}.ttf")) for name in _NAMES]
