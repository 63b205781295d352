"""What is doubtful about a number or a unit that was read: said in words to a person."""

import re

from capture.driver.profile.display import Display
from capture.errors import InputError
from capture.model import Shown, Status, parse_unit, unit_of
from capture.model.photo import DoubtKind, PhotoDoubt
from capture.photo.layout import Cell
from capture.photo.looks import Item
from capture.photo.words import is_unit

_SURE = 0.8  # a character that is less sure than this is marked
_ENOUGH = 2  # looks that must agree


def number_doubts(
    cell: Cell, shown: Shown | None, reason: str, usual: int | None, display: Display
) -> list[PhotoDoubt]:
    """List what is doubtful about a number; ``usual`` are the decimals of most numbers there."""
    number, found = cell.number, []
    text = number.text
    mark = re.search(r"[.,]", text)
    digits = re.sub(r"[^0-9]", "", text)
    decimals = len(text) - mark.end() if mark else 0
    plain = bool(digits)
    if shown is None and plain and not re.fullmatch(r"[<>]?[+-]?\d*[.,]?\d*", text):
        found.append(_doubt("not-a-number", f"{text} is no number: {reason}"))
    if plain and not mark and display.decimals != 0:
        found.append(
            _doubt("no-decimal-point", f"no decimal point was seen in {text}; look for one")
        )
    wanted = display.decimals if display.decimals is not None else usual
    if plain and mark and wanted is not None and decimals != wanted:
        words = f"{text} has {decimals} decimals; {wanted} are expected"
        found.append(_doubt("decimals", words))
    if plain and display.digits is not None and len(digits) != display.digits:
        words = f"{text} has {len(digits)} digits; {display.digits} are expected"
        found.append(_doubt("digits", words))
    if cell.touching:
        found.append(_doubt("cut-off", f"another number touches {text}; they may be one"))
    if shown is not None and shown.status is not Status.OK and number.agreeing < _ENOUGH:
        found.append(_doubt("looks-differ", f"{text} was read at one look only"))
    return [*found, *_reading_doubts(number)]


def unit_doubts(
    unit: Item | None, shown_unit: str, quantity: str, display: Display
) -> list[PhotoDoubt]:
    """List what is doubtful about a unit."""
    base = unit_of(quantity)
    if not shown_unit:
        if base == "1":
            return []
        return [_doubt("unit-missing", "no unit was read beside the number")]
    found = []
    try:
        of = parse_unit(shown_unit).unit
        if base not in (None, of):
            found.append(
                _doubt("unit-of-another-quantity", f"{shown_unit} is no unit of {quantity}")
            )
    except InputError as error:
        found.append(_doubt("unit-unknown", str(error)))
    if display.units and shown_unit not in display.units:
        listed = ", ".join(display.units)
        found.append(_doubt("unit-unknown", f"{shown_unit} was read; the display has {listed}"))
    if unit is not None and _by_case(shown_unit, display):
        words = f"{shown_unit}: small m and capital M are nine decades apart and look alike"
        found.append(_doubt("unit-prefix", words))
    elif unit is not None:
        unsure = min(unit.confidences) < _SURE or unit.others
        if unsure:
            read = ", ".join(each for each in (unit.text, *unit.others) if each)
            found.append(
                _doubt("unit-prefix", f"the unit is not sure ({read}): look at its prefix")
            )
    return found


def letters_doubt(read: str, taken: str) -> PhotoDoubt:
    """Say that a unit was taken for another one, which differs from it in the size of letters."""
    return _doubt(
        "unit-prefix", f"{read} was read; a time is shown in {taken}: look at its letters"
    )


def _by_case(unit: str, display: Display) -> bool:
    """Tell whether a unit is another one with its prefix in the other case, and may be that.

    Recognisers are sure of the wrong one of the two now and then, and no second look tells them
    apart. A profile that says which units a display has can.
    """
    other = unit[:1].swapcase() + unit[1:]
    if unit[:1] not in ("m", "M") or not is_unit(other):
        return False
    return unit not in display.units or other in display.units


def _reading_doubts(number: Item) -> list[PhotoDoubt]:
    """Doubts that come of how a number was read."""
    if number.others or number.agreeing < _ENOUGH:
        others = ", ".join(other or "nothing" for other in number.others) or "nothing"
        return [_doubt("looks-differ", f"{number.text} at one look, {others} at another")]
    weak = [
        character
        for character, confidence in zip(number.text, number.confidences, strict=True)
        if confidence < _SURE
    ]
    if weak:
        words = f"{', '.join(weak)} in {number.text} cannot be read for sure"
        return [_doubt("low-confidence", words)]
    return []


def _doubt(kind: DoubtKind, words: str) -> PhotoDoubt:
    printable = "".join(c if c.isprintable() else "?" for c in words)
    return PhotoDoubt(kind=kind, words=printable[:200])
