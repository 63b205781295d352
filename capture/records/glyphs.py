"""Characters that no font of a record has: a pictogram in a note must not keep a record from being.

PDF/A allows no character without a drawn form, so such a one is written as its number in Unicode.
The attached record.json holds it as it was entered.
"""

from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

from capture.extras import needs_extra
from capture.records.fonts import font_files

#: What typst falls back on; it carries the same release inside as the library of pictures.
_SECOND = "DejaVuSansMono.ttf"


def drawable(told: Any) -> Any:
    """Write anew what is told, at every depth, with only characters that can be drawn.

    Raises:
        MissingExtraError: the part that draws records is not installed.
    """
    match told:
        case str():
            return "".join(map(_drawn_as, told))
        case dict():
            return {key: drawable(value) for key, value in told.items()}
        case list() | tuple():
            return [drawable(each) for each in told]
        case _:
            return told


@cache
def _drawn_as(character: str) -> str:
    there = ord(character) in _drawn() or character.isspace()
    return character if there else f"[U+{ord(character):04X}]"


@cache
def _drawn() -> frozenset[int]:
    """Give the characters that every style of the font has, and those of the second one."""
    with needs_extra("drawing records", "records"):
        import matplotlib as mpl  # noqa: PLC0415 - an extra, and heavy
    second = Path(mpl.get_data_path()) / "fonts" / "ttf" / _SECOND
    styles = [set(_characters(path)) for path in font_files()]
    return frozenset(set.intersection(*styles) | set(_characters(second)))


def _characters(path: Path) -> Iterable[int]:
    from matplotlib.ft2font import FT2Font  # noqa: PLC0415 - an extra, and heavy

    return FT2Font(str(path)).get_charmap()
