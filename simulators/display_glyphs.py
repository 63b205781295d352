"""Shapes of characters on displays: seven segments, and dots of five by seven. Drawn by ourselves.

Segments are named a to g, clockwise from the top, g in the middle, as everybody names them.
"""

from collections.abc import Iterator

#: Lit segments of what seven segments can show.
SEGMENTS = {
    "0": "abcdef",
    "1": "bc",
    "2": "abdeg",
    "3": "abcdg",
    "4": "bcfg",
    "5": "acdfg",
    "6": "acdefg",
    "7": "abc",
    "8": "abcdefg",
    "9": "abcdfg",
    "-": "g",
    "O": "abcdef",
    "L": "def",
    " ": "",
}

# Ends of each segment's middle line in a cell of one by two.
_ENDS = {
    "a": ((0, 0), (1, 0)),
    "b": ((1, 0), (1, 1)),
    "c": ((1, 1), (1, 2)),
    "d": ((0, 2), (1, 2)),
    "e": ((0, 1), (0, 2)),
    "f": ((0, 0), (0, 1)),
    "g": ((0, 1), (1, 1)),
}

# Seven rows of five dots each, from the top, the leftmost dot in the highest of five bits.
_DOTS = {
    "0": "0E 11 11 11 11 11 0E",
    "1": "04 0C 04 04 04 04 0E",
    "2": "0E 11 01 02 04 08 1F",
    "3": "1F 02 04 02 01 11 0E",
    "4": "02 06 0A 12 1F 02 02",
    "5": "1F 10 1E 01 01 11 0E",
    "6": "06 08 10 1E 11 11 0E",
    "7": "1F 01 02 04 08 08 08",
    "8": "0E 11 11 0E 11 11 0E",
    "9": "0E 11 11 0F 01 02 0C",
    " ": "00 00 00 00 00 00 00",
    ".": "00 00 00 00 00 0C 0C",
    ",": "00 00 00 00 0C 04 08",
    "-": "00 00 00 1F 00 00 00",
    ">": "08 04 02 01 02 04 08",
    "U": "11 11 11 11 11 11 0E",
    "V": "11 11 11 11 11 0A 04",
    "W": "11 11 11 15 15 1B 11",
    "H": "11 11 11 1F 11 11 11",
    "L": "10 10 10 10 10 10 1F",
    "O": "0E 11 11 11 11 11 0E",
    "M": "11 1B 15 15 11 11 11",
    "G": "0E 11 10 17 11 11 0F",
    "R": "1E 11 11 1E 14 12 11",
    "m": "00 00 1A 15 15 11 11",
    "k": "10 10 12 14 18 14 12",
    "u": "00 00 11 11 11 13 0D",
    "µ": "00 11 11 11 13 1D 10",
    "s": "00 00 0F 10 0E 01 1E",
    "Ω": "0E 11 11 11 0A 0A 1B",
    "f": "06 09 08 1C 08 08 08",
    "w": "00 00 11 11 15 15 0A",
    "d": "01 01 0D 13 11 11 0F",
    "r": "00 00 16 19 10 10 10",
    "e": "00 00 0E 11 1F 10 0E",
    "v": "00 00 11 11 11 0A 04",
}
DOT_COLUMNS, DOT_ROWS = 5, 7

Point = tuple[float, float]


def segment_outline(name: str, width: float, thickness: float) -> list[Point]:
    """Give the six corners of a segment in a digit that is ``width`` wide and two widths high.

    Coordinates run from the digit's upper left corner; segments leave a narrow gap at their ends.
    """
    half, gap = thickness / 2, thickness * 0.12
    span = width - thickness  # between the middle lines
    (x0, y0), (x1, y1) = _ENDS[name]
    ax, ay = half + x0 * span, half + y0 * span
    bx, by = half + x1 * span, half + y1 * span
    if y0 == y1:
        return [
            (ax + gap, ay), (ax + half + gap, ay - half), (bx - half - gap, by - half),
            (bx - gap, by), (bx - half - gap, by + half), (ax + half + gap, ay + half),
        ]  # fmt: skip
    return [
        (ax, ay + gap), (ax + half, ay + half + gap), (bx + half, by - half - gap),
        (bx, by - gap), (bx - half, by - half - gap), (ax - half, ay + half + gap),
    ]  # fmt: skip


def lit_dots(character: str) -> Iterator[tuple[int, int]]:
    """List the lit dots of a character as (column, row).

    Raises:
        KeyError: it has no shape here.
    """
    for row, bits in enumerate(bytes.fromhex(_DOTS[character])):
        for column in range(DOT_COLUMNS):
            if bits >> (DOT_COLUMNS - 1 - column) & 1:
                yield column, row
