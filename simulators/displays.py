"""Displays of instruments, drawn with what they truly show: to measure what is read off photos.

A face is the flat display: seven segments, dots of five by seven, or a plain font; one value, a
list of three pairs, or a grid of three pairs in both directions. `display_photos` photographs it.
The same seed gives the same picture. Needs Pillow; the plain fonts come with matplotlib.
"""

import random
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Literal, get_args

from PIL import Image, ImageDraw, ImageFont

from simulators.display_glyphs import DOT_COLUMNS, DOT_ROWS, SEGMENTS, lit_dots, segment_outline

Face = Literal["segments", "dots", "font"]
Arrangement = Literal["single", "list", "grid"]
FACES: tuple[Face, ...] = get_args(Face)
ARRANGEMENTS: tuple[Arrangement, ...] = get_args(Arrangement)
PAIRS = ("U-V", "V-W", "W-U")

#: What is measured, in which shown units, between which numbers, with how many decimals.
_RANGES: dict[str, tuple[tuple[str, float, float, int], ...]] = {
    "resistance": (("mΩ", 1, 999, 2), ("Ω", 0.1, 99, 3), ("kΩ", 1, 99, 2)),
    "insulation_resistance": (("MΩ", 1, 990, 1), ("GΩ", 1, 50, 2), ("kΩ", 10, 990, 1)),
    "inductance": (("mH", 1, 990, 2), ("uH", 10, 990, 1), ("µH", 10, 990, 1)),
    "pulse_time": (("µs", 10, 99, 2), ("us", 10, 99, 2), ("ms", 1, 9, 3)),
}
QUANTITIES = tuple(_RANGES)

Colour = tuple[int, int, int]
# Foreground, background: liquid crystals, light-emitting diodes, coloured screens.
_LOOKS: dict[Face, tuple[tuple[Colour, Colour], ...]] = {
    "segments": (
        ((28, 32, 30), (168, 180, 160)),
        ((20, 20, 24), (196, 200, 196)),
        ((255, 60, 40), (24, 8, 8)),
        ((90, 255, 120), (8, 20, 10)),
    ),
    "dots": (
        ((30, 44, 24), (150, 184, 90)),
        ((235, 240, 255), (36, 60, 160)),
        ((30, 32, 36), (190, 196, 200)),
    ),
    "font": (
        ((245, 245, 245), (18, 22, 30)),
        ((20, 20, 20), (236, 238, 240)),
        ((255, 220, 90), (20, 24, 40)),
    ),
}
_FONTS = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DejaVuSansMono.ttf")
_FORWARD, _REVERSE = "forward", "reverse"


@dataclass(frozen=True, slots=True)
class Truth:
    """One value on a display: what the instrument means.

    Attributes:
        point: test point as written beside it, such as U-V; empty where nothing is.
        direction: forward or reverse where the display has a column for each; else empty.
        digits: the number, with its decimal point also where the display fails to show it.
        unit: the unit as shown.
        point_shown: whether the decimal point can be seen.
    """

    point: str
    direction: str
    digits: str
    unit: str
    point_shown: bool = True

    @property
    def visible(self) -> str:
        """The number as the display shows it."""
        return self.digits if self.point_shown else self.digits.replace(".", "")


@dataclass(frozen=True, slots=True)
class Content:
    """What a display shows, and how it is made."""

    face: Face
    arrangement: Arrangement
    quantity: str
    values: tuple[Truth, ...]
    slant: float = 0.0
    """How far seven-segment digits lean, as a part of their height."""
    look: int = 0
    font: str = _FONTS[0]


def content(
    seed: int, face: Face, arrangement: Arrangement, *, point_shown: bool = True
) -> Content:
    """Make up what a display shows; equal seeds give equal displays."""
    chance = random.Random(f"{seed}/{face}/{arrangement}")  # noqa: S311 - pictures, no secrets
    quantity = chance.choice(QUANTITIES)
    unit, low, high, decimals = chance.choice(_RANGES[quantity])
    if face == "segments" and unit.startswith("u"):
        unit = "µ" + unit[1:]  # printed on the glass, where there is no lack of letters
    middle = chance.uniform(low, high)
    places = [(pair, "") for pair in PAIRS] if arrangement == "list" else [("", "")]
    if arrangement == "grid":
        places = [(pair, way) for pair in PAIRS for way in (_FORWARD, _REVERSE)]
    values = tuple(
        Truth(
            pair,
            way,
            f"{min(high, max(low, middle * chance.uniform(0.9, 1.1))):.{decimals}f}",
            unit,
            point_shown,
        )
        for pair, way in places
    )
    return Content(
        face,
        arrangement,
        quantity,
        values,
        slant=chance.choice((0.0, 0.0, 0.1, 0.16)),
        look=chance.randrange(len(_LOOKS[face])),
        font=chance.choice(_FONTS),
    )


def draw(shown: Content) -> Image.Image:
    """Draw the flat face of a display."""
    ink, ground = _LOOKS[shown.face][shown.look]
    rows = _rows(shown)
    height = {"single": 250, "list": 110, "grid": 84}[shown.arrangement]
    lines = [_line(shown, row, height, ink, ground) for row in rows]
    margin = height // 3
    width = max(line.width for line in lines) + 2 * margin
    total = sum(line.height for line in lines) + margin * (len(lines) + 1)
    face = Image.new("RGB", (width, total), ground)
    top = margin
    for line in lines:
        face.paste(line, (margin, top))
        top += line.height + margin
    return face


@lru_cache(maxsize=32)
def plain_font(name: str, size: int) -> ImageFont.FreeTypeFont:
    """Load a plain font that comes with matplotlib."""
    path = resources.files("matplotlib") / "mpl-data" / "fonts" / "ttf" / name
    with resources.as_file(path) as file:
        return ImageFont.truetype(str(file), size)


def _rows(shown: Content) -> list[list[str]]:
    """Lay the texts out: cells from left to right, rows from the top.

    A cell that holds a number begins with "="; it is drawn in digits of the face.
    """
    if shown.arrangement == "single":
        value = shown.values[0]
        return [[f"={value.visible}", value.unit]]
    if shown.arrangement == "list":
        return [[v.point, f"={v.visible}", v.unit] for v in shown.values]
    ways = ("fwd", "rev") if shown.face == "dots" else (_FORWARD, _REVERSE)
    rows = [[shown.values[0].unit, *ways]]
    for first, second in zip(shown.values[::2], shown.values[1::2], strict=True):
        rows.append([first.point, f"={first.visible}", f"={second.visible}"])
    return rows


def _line(shown: Content, row: list[str], height: int, ink: Colour, ground: Colour) -> Image.Image:
    """Draw one row; in a list or grid, cells stand below one another."""
    cells = [_cell(shown, text, height, ink, ground) for text in row]
    if shown.arrangement == "single":
        gap = height // 5
        widths = [cell.width for cell in cells]
    else:
        gap = height * 9 // 10
        widths = [height * 3, *[height * 5] * (len(cells) - 1)]
        widths[-1] = max(widths[-1], cells[-1].width)
    line = Image.new("RGB", (sum(widths) + gap * (len(cells) - 1), height), ground)
    left = 0
    for cell, width in zip(cells, widths, strict=True):
        # Numbers end where their column ends, as instruments set them.
        at = left + (width - cell.width if shown.arrangement != "single" and cell is not cells[0]
                     and cell is not cells[-1] else 0)  # fmt: skip
        line.paste(cell, (at, height - cell.height))
        left += width + gap
    return line


def _cell(shown: Content, text: str, height: int, ink: Colour, ground: Colour) -> Image.Image:
    number, text = text.startswith("="), text.removeprefix("=")
    if shown.face == "dots":
        return _dots(text, height, ink, ground)
    if shown.face == "segments" and number:
        return _digits(text, height, shown.slant, ink, ground)
    size = height if number else int(height * (0.42 if shown.arrangement == "single" else 0.6))
    return _words(text, shown.font, size, ink, ground)


def _words(text: str, font: str, size: int, ink: Colour, ground: Colour) -> Image.Image:
    used = plain_font(font, int(size * 0.95))
    left, top, right, bottom = used.getbbox(text)
    image = Image.new("RGB", (int(right - left) + 4, int(bottom - top) + 4), ground)
    ImageDraw.Draw(image).text((2 - left, 2 - top), text, fill=ink, font=used)
    return image


def _dots(text: str, height: int, ink: Colour, ground: Colour) -> Image.Image:
    pitch = height / DOT_ROWS
    image = Image.new("RGB", (int(pitch * (DOT_COLUMNS + 1) * len(text)) or 1, height), ground)
    pen = ImageDraw.Draw(image)
    faint = _between(ground, ink, 0.06)
    for place, character in enumerate(text):
        lit = set(lit_dots(character))
        for column in range(DOT_COLUMNS):
            for row in range(DOT_ROWS):
                x, y = (place * (DOT_COLUMNS + 1) + column) * pitch, row * pitch
                colour = ink if (column, row) in lit else faint
                pen.rectangle((x, y, x + pitch * 0.86, y + pitch * 0.86), fill=colour)
    return image


def _digits(text: str, height: int, slant: float, ink: Colour, ground: Colour) -> Image.Image:
    """Draw seven-segment digits; the decimal point stands between two of them."""
    thickness = height * 0.11
    width = (height + thickness) / 2  # two squares of middle lines, one above the other
    advance = width * 1.36
    lean = slant * height
    glyphs = text.replace(".", "")
    image = Image.new("RGB", (int(advance * len(glyphs) + lean), height), ground)
    pen = ImageDraw.Draw(image)
    faint = _between(ground, ink, 0.05)
    place = -1
    for character in text:
        if character == ".":
            x = (place + 1) * advance - (advance - width) / 2
            side = thickness * 1.05
            corner = (x - side / 2, height - side, x + side / 2, height - 1)
            pen.rectangle(corner, fill=ink)
            continue
        place += 1
        for name in "abcdefg":
            outline = [
                (place * advance + x + lean * (1 - y / height), y)
                for x, y in segment_outline(name, width, thickness)
            ]
            pen.polygon(outline, fill=ink if name in SEGMENTS[character] else faint)
    return image


def _between(one: Colour, other: Colour, part: float) -> Colour:
    red, green, blue = (round(a + (b - a) * part) for a, b in zip(one, other, strict=True))
    return red, green, blue
