"""Which number on a display has which unit, test point and direction: by where they stand."""

from collections.abc import Sequence
from dataclasses import dataclass

from capture.driver.profile.display import Display
from capture.errors import InputError
from capture.model import TestPoint
from capture.photo.looks import Item
from capture.photo.words import direction_of

_IN_ROW = 0.45  # part of the lower of two items that must be beside the other
_TOUCHING = 0.25  # of a digit's height: nearer than this two numbers may be one


@dataclass(frozen=True, slots=True)
class Cell:
    """A number with what stands around it.

    Attributes:
        unit: beside it, or above the column or the whole display; None where there is none.
        label: what names its test point, as read; empty where nothing does.
        point: the test point by label and heading; empty where that is none.
        looks_like: the same with U for V, which look alike in a matrix of dots.
        touching: another number stands so near that both may be one.
    """

    number: Item
    unit: Item | None
    label: str
    point: str
    looks_like: str
    touching: bool


def cells_of(items: Sequence[Item], display: Display) -> list[Cell]:
    """Group the items of a display, row by row."""
    numbers = [item for item in items if item.kind == "number"]
    units = [item for item in items if item.kind == "unit"]
    beside = {id(number): _unit_beside(number, units, numbers) for number in numbers}
    used = {id(unit) for unit in beside.values() if unit is not None}
    headings = [unit for unit in units if id(unit) not in used]
    one = headings[0] if len({unit.text for unit in headings}) == 1 else None
    cells = []
    for number in in_rows(numbers):
        label = _label(number, items, display)
        reverse = bool(label) and _direction(number, items, display) == "reverse"
        text = display.labels.get(label, label)
        cells.append(
            Cell(
                number,
                beside[id(number)] or one,
                label,
                _point(text, reverse=reverse),
                _looks_like(text, reverse=reverse),
                any(_touch(number, other) for other in numbers if other is not number),
            )
        )
    return cells


def in_rows(items: Sequence[Item]) -> list[Item]:
    """Sort items row by row, each from the left."""
    rows: list[list[Item]] = []
    for item in sorted(items, key=lambda each: each.middle[1]):
        if rows and same_row(rows[-1][0], item):
            rows[-1].append(item)
        else:
            rows.append([item])
    return [item for row in rows for item in sorted(row, key=lambda each: each.left)]


def same_row(one: Item, other: Item) -> bool:
    """Tell whether two items stand beside each other."""
    shared = min(one.bottom, other.bottom) - max(one.top, other.top)
    return shared >= _IN_ROW * min(one.height, other.height)


def _unit_beside(number: Item, units: Sequence[Item], numbers: Sequence[Item]) -> Item | None:
    """Give the unit right of a number, with no other number between."""
    right = [
        unit
        for unit in units
        if _of_row(unit, number, numbers) and unit.left >= number.right - 0.3 * number.height
    ]
    if not right:
        return None
    nearest = min(right, key=lambda unit: unit.left)
    between = any(
        other is not number
        and same_row(number, other)
        and number.right <= other.middle[0] <= nearest.left
        for other in numbers
    )
    return None if between else nearest


def in_order(looks: Sequence[str], points: Sequence[str]) -> bool:
    """Tell whether labels that may have a U for a V are those of these points, in their order.

    The order is part of it: a display that names other pairs would be taken for these otherwise.
    """
    return len(points) > 1 and list(looks) == [_looks_like(point) for point in points]


def _label(number: Item, items: Sequence[Item], display: Display) -> str:
    """Give what names a number's test point: in its row, else above it; empty where nothing."""
    labels = [item for item in items if item.kind == "point" or item.text in display.labels]
    numbers = [item for item in items if item.kind == "number"]
    in_row = [
        item
        for item in labels
        if _of_row(item, number, numbers) and item.middle[0] < number.middle[0]
    ]
    above = [
        item
        for item in labels
        if item.bottom <= number.middle[1] and item.left < number.right and number.left < item.right
    ]
    if in_row:
        return min(in_row, key=lambda item: abs(item.middle[1] - number.middle[1])).text
    if above:
        return max(above, key=lambda item: item.bottom).text
    return ""


def _point(text: str, *, reverse: bool) -> str:
    """Give the test point that a label means; empty where it means none."""
    try:
        point = TestPoint.parse(text)
    except InputError:
        return ""
    return str(point.swapped() if reverse else point)


def _looks_like(text: str, *, reverse: bool = False) -> str:
    first, dash, second = text.replace("V", "U").partition("-")
    if not dash:
        return ""
    return f"{second}-{first}" if reverse else f"{first}-{second}"


def _direction(number: Item, items: Sequence[Item], display: Display) -> str | None:
    """Give the direction that a heading above the number, or a word in its row, tells."""
    named = [item for item in items if direction_of(item.text, display.directions)]
    in_row = [item for item in named if same_row(number, item)]
    above = [item for item in named if item.middle[1] < number.top]
    found = in_row or above
    if not found:
        return None
    nearest = min(found, key=lambda item: abs(item.middle[0] - number.middle[0]))
    return direction_of(nearest.text, display.directions)


def _of_row(item: Item, number: Item, numbers: Sequence[Item]) -> bool:
    """Tell whether an item stands in a number's row, and in no other number's more than in it."""

    def away(other: Item) -> float:
        return abs(other.middle[1] - item.middle[1])

    nearest = min(map(away, numbers))
    return same_row(number, item) and away(number) <= nearest + 0.3 * number.height


def _touch(one: Item, other: Item) -> bool:
    gap = max(other.left - one.right, one.left - other.right)
    return same_row(one, other) and gap < _TOUCHING * min(one.height, other.height)
