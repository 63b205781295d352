"""From what was read off a display to proposals for a step: which value is which, what is doubtful.

Nothing is guessed: a decimal point that was not seen is a doubt, never a digit's place.
"""

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from capture.driver.profile.display import Display
from capture.errors import InputError
from capture.model import Shown, Status, TestPoint, parse_shown, unit_of
from capture.model.photo import Crop, PhotoDoubt, Proposal, ReadCharacter
from capture.photo.doubtful import letters_doubt, number_doubts, unit_doubts
from capture.photo.expect import Expectation
from capture.photo.layout import Cell, cells_of, in_order
from capture.photo.looks import Item

#: Gives the part of the photo that an upright box of the straightened picture stands in.
Locate = Callable[[float, float, float, float], Crop]
_RIVAL = 0.75  # a number of this part of the tallest one's height may be meant as well


@dataclass(frozen=True, slots=True)
class Found:
    """What one picture gave."""

    proposals: tuple[Proposal, ...]
    doubts: tuple[PhotoDoubt, ...]
    others: tuple[str, ...]


def propose(
    items: Sequence[Item], expected: Expectation, display: Display, locate: Locate
) -> Found:
    """Make proposals from the texts of a display."""
    kept = [item for item in items if not _ignored(item.text, display)]
    cells = _relevant(cells_of(kept, display), expected, display)
    doubts: list[PhotoDoubt] = []
    points = display.points or expected.points
    if len(points) == 1 and len(cells) > 1:
        cells = _most_prominent(cells, doubts)
    elif len(cells) != max(len(points), 1):
        wanted = max(len(points), 1)
        doubts.append(
            PhotoDoubt(kind="count", words=f"{wanted} values are expected, {len(cells)} were read")
        )
    placed = _placed(cells, points, told=bool(display.points))
    decimals = Counter(_decimals(cell.number.text) for cell in cells)
    usual = decimals.most_common(1)[0][0] if len(cells) > 2 else None  # noqa: PLR2004 - a majority
    proposals = [
        _proposal(cell, point, more, usual, expected, display, locate)
        for cell, point, more in placed
    ]
    used = {id(part) for cell in cells for part in (cell.number, cell.unit)}
    others = tuple(item.text for item in kept if id(item) not in used and item.kind == "other")
    return Found(tuple(proposals), tuple(doubts), others)


def _ignored(text: str, display: Display) -> bool:
    return any(re.fullmatch(pattern, text) for pattern in display.ignore)


def _relevant(cells: list[Cell], expected: Expectation, display: Display) -> list[Cell]:
    """Leave out numbers of other quantities, such as a frequency beside an inductance."""
    base = unit_of(expected.quantity)

    def fits(cell: Cell) -> bool:
        text = cell.unit.text if cell.unit else display.unit
        shown = understood(of_time(text) if base == "s" else text, base)
        return shown is not None and base in (None, shown)

    fitting = [cell for cell in cells if fits(cell)]
    if base == "1":
        fitting = [cell for cell in cells if cell.unit is None]
    if not fitting:
        return cells
    # A number without a unit among others that have theirs is still a value, if one is missing.
    if len(fitting) < len(expected.points):
        return [cell for cell in cells if cell in fitting or cell.unit is None]
    return fitting


def of_time(unit: str) -> str:
    """Give a unit as the display of a time can have it: small letters.

    S and s, M and m differ in size alone, which no recogniser can tell where all letters of a
    display are as high. Nothing on a bench lasts for megaseconds, and siemens are no time.
    """
    small = unit.lower()
    return small if understood(small, "s") == "s" else unit


def understood(text: str, base: str | None) -> str | None:
    """Give the UCUM code of a shown unit; None where it is not known or ambiguous."""
    if not text:
        return "1" if base == "1" else None
    try:
        return parse_shown(f"1 {text}").unit
    except InputError:
        return None


def _most_prominent(cells: list[Cell], doubts: list[PhotoDoubt]) -> list[Cell]:
    tallest = max(cells, key=lambda cell: cell.number.height)
    rivals = [cell for cell in cells if cell.number.height >= _RIVAL * tallest.number.height]
    if len(rivals) > 1:
        texts = ", ".join(cell.number.text for cell in rivals)
        doubts.append(
            PhotoDoubt(kind="count", words=f"one value is expected, {texts} were read"[:200])
        )
        return rivals
    return [tallest]


_Placed = list[tuple[Cell, str | None, list[PhotoDoubt]]]


def _placed(cells: Sequence[Cell], points: Sequence[str], *, told: bool) -> _Placed:
    """Give each cell its test point: by its label where that is clear, else by its place.

    ``told`` says that a profile tells the order, so that labels are not needed.
    """
    read = [cell.point for cell in cells]
    if told or in_order([cell.looks_like for cell in cells], points):
        clear = dict(zip(map(id, cells), points, strict=False)) if len(cells) == len(points) else {}
    else:
        clear = {
            id(cell): cell.point
            for cell in cells
            if cell.point in points and read.count(cell.point) == 1
        }
    if len(points) == len(cells) == 1 and not cells[0].label:
        clear = {id(cells[0]): points[0]}
    left = [point for point in points if point not in clear.values()]
    unclear = [cell for cell in cells if id(cell) not in clear]
    by_place = dict(zip(map(id, unclear), left, strict=False)) if len(unclear) == len(left) else {}
    placed: _Placed = []
    for cell in cells:
        point = clear.get(id(cell)) or by_place.get(id(cell))
        doubts = []
        if points and id(cell) not in clear:
            seen = f"{cell.label} was read" if cell.label else "no test point was read"
            taken = f"{point} by its place" if point else "none of the step's could be told"
            words = f"{seen} beside {cell.number.text}; {taken}"
            doubts.append(PhotoDoubt(kind="test-point", words=words[:200]))
        placed.append((cell, point, doubts))
    order = {point: place for place, point in enumerate(points)}
    return sorted(placed, key=lambda each: order.get(each[1] or "", len(order)))


def _proposal(
    cell: Cell,
    point: str | None,
    doubts: list[PhotoDoubt],
    usual: int | None,
    expected: Expectation,
    display: Display,
    locate: Locate,
) -> Proposal:
    number, unit = cell.number, cell.unit
    read_unit = (unit.text if unit else display.unit)[:16]
    base = unit_of(expected.quantity)
    shown_unit = of_time(read_unit) if base == "s" else read_unit
    shown, reason = _shown(number.text, shown_unit, base, display)
    doubts = [
        *doubts,
        *number_doubts(cell, shown, reason, usual, display),
        *unit_doubts(unit, shown_unit, expected.quantity, display),
        *([] if shown_unit == read_unit else [letters_doubt(read_unit, shown_unit)]),
    ]
    fits = shown is not None and shown.unit is not None and base in (None, shown.unit)
    parts = [number] if unit is None else [number, unit]
    characters = tuple(
        ReadCharacter(text=character, confidence=round(min(confidence, 1.0), 4))
        for part in parts
        for character, confidence in zip(part.text, part.confidences, strict=True)
    )
    beside = [part for part in parts if part.bottom > number.top and part.top < number.bottom]
    return Proposal(
        quantity=expected.quantity,
        text=f"{number.text} {unit.text}" if unit else number.text,
        digits=number.text,
        shown_unit=shown_unit,
        unit=shown.unit if shown and fits else None,
        value=float(shown.value) if shown and fits and shown.value is not None else None,
        status=shown.status if shown else Status.INVALID,
        point=point,
        direction=None if point is None else TestPoint.parse(point).direction,
        crop=locate(
            min(part.left for part in beside),
            min(part.top for part in beside),
            max(part.right for part in beside),
            max(part.bottom for part in beside),
        ),
        characters=characters,
        confidence=min(character.confidence for character in characters),
        doubts=tuple(doubts),
    )


def _shown(digits: str, unit: str, base: str | None, display: Display) -> tuple[Shown | None, str]:
    """Understand a number with its unit; or say why it cannot be."""
    try:
        default = "1" if base == "1" else ""
        return parse_shown(f"{digits} {unit}", mark=display.decimal, default_unit=default), ""
    except InputError as error:
        return None, str(error)


def _decimals(digits: str) -> int:
    return len(re.split(r"[.,]", digits)[-1]) if re.search(r"[.,]", digits) else 0
