"""Reading each text several times, from pictures prepared differently, and comparing.

A recogniser is sometimes sure of what is wrong. It is seldom wrong in the same way twice when the
picture is blurred, or shows a little more around the text. So what all looks agree on is
believed, and what they differ on is left to a person.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from capture.photo.engine import ReadLine, TextEngine
from capture.photo.ink import cut_at_units, unit_place
from capture.photo.straighten import Pixels, Points, clockwise, sides
from capture.photo.words import Word, WordKind, is_same_unit, is_unit, words_of

_HEIGHT = 48  # pixels: the height that the recogniser works at
_BLUR = 2.0  # pixels at that height: joins the dots of a matrix
_FINDING_BLUR = 2.0 / 736  # of the longer side: two pixels where texts are looked for
_NEW, _PIECE = 0.3, 0.45  # part of a box that others cover
_SAME_ROW = 0.6  # part of the lower of two boxes that the other must be beside
_CONTRAST = 120  # of 255 levels: less than this is stretched
_DIFFERENT = 0.5  # most that the confidence of a character is where another look differs
_COUNTS = 0.5  # a look that is less sure than this is no objection


@dataclass(frozen=True, slots=True)
class Item:
    """A word with its place in the straightened picture, in pixels.

    Attributes:
        confidences: one for each character.
        agreeing: how many looks read exactly this.
        others: what other looks read in its place.
    """

    kind: WordKind
    text: str
    confidences: tuple[float, ...]
    left: float
    top: float
    right: float
    bottom: float
    agreeing: int
    others: tuple[str, ...]

    @property
    def middle(self) -> tuple[float, float]:
        """The middle, in pixels from the left and from the top."""
        return (self.left + self.right) / 2, (self.top + self.bottom) / 2

    @property
    def height(self) -> float:
        """Height in pixels."""
        return self.bottom - self.top


def read_items(
    picture: Pixels, engine: TextEngine, directions: Mapping[str, str] | None = None
) -> list[Item]:
    """Find and read all texts of a picture."""
    picture = levelled(picture)
    items = _read_boxes(picture, find_boxes(picture, engine), engine, directions)
    places = [
        place
        for number in items
        if number.kind == "number" and (place := _unit_to_find(picture, number, items)) is not None
    ]
    found = _read_boxes(picture, places, engine, directions)
    return items + [item for item in found if item.kind == "unit"]


def _read_boxes(
    picture: Pixels,
    boxes: Sequence[Points],
    engine: TextEngine,
    directions: Mapping[str, str] | None,
) -> list[Item]:
    crops: list[Pixels] = []
    for box in boxes:
        crops += looks_at(picture, box)
    lines = engine.read(crops)
    count = len(lines) // max(len(boxes), 1)
    items: list[Item] = []
    for place, box in enumerate(boxes):
        items += agree(box, lines[place * count : (place + 1) * count], directions)
    return items


def _unit_to_find(picture: Pixels, number: Item, items: Sequence[Item]) -> Points | None:
    """Give the place of a unit that the engine did not find, right of a number without one."""
    middle = number.middle[1]
    beside = [
        item
        for item in items
        if item.middle[0] > number.middle[0] and item.top < middle < item.bottom
    ]
    if any(item.kind == "unit" for item in beside):
        return None
    until = min((item.left for item in beside), default=float(picture.shape[1]))
    box = np.array(
        [
            [number.left, number.top],
            [number.right, number.top],
            [number.right, number.bottom],
            [number.left, number.bottom],
        ]
    )
    return unit_place(picture, box, until)


def find_boxes(picture: Pixels, engine: TextEngine) -> list[Points]:
    """Find the texts as they are and blurred: the dots of a matrix are no text until they join."""
    blur = _FINDING_BLUR * max(picture.shape[:2])
    blurred = np.asarray(cv2.GaussianBlur(picture, (0, 0), blur), dtype=np.uint8)
    plain, joined = engine.find(picture), engine.find(blurred)
    first, second = sorted((plain, joined), key=_total, reverse=True)
    boxes = first + [box for box in second if _covered(box, first) < _NEW]
    largest = sorted(boxes, key=_size, reverse=True)
    # What lies half on others is the gap between two columns, or a piece of one.
    kept = [box for at, box in enumerate(largest) if _covered(box, largest[:at]) < _PIECE]
    return cut_at_units(picture, _joined(kept))


def looks_at(picture: Pixels, box: Points) -> list[Pixels]:
    """Give the pictures of one text that are read: as it is, blurred, and with more around it."""
    plain = _cut(picture, box)
    blurred = np.asarray(cv2.GaussianBlur(plain, (0, 0), _BLUR), dtype=np.uint8)
    wider = _cut(picture, _grown(box))
    return [plain, blurred, _grey_levelled(wider)]


def agree(
    box: Points, lines: Sequence[ReadLine], directions: Mapping[str, str] | None = None
) -> list[Item]:
    """Make items of one text that was read several times; the reading most looks share counts."""
    looks = [words_of(line, directions) for line in lines]
    numbers = [_texts(words, "number") for words in looks]

    def rank(place: int) -> tuple[int, int, float]:
        understood = sum(word.kind != "other" for word in looks[place])
        return numbers.count(numbers[place]), understood, lines[place].confidence

    # A look without any number is no majority against one that is sure of its number.
    candidates = [place for place, line in enumerate(lines) if line.text.strip()]
    with_numbers = [
        place for place in candidates if numbers[place] and lines[place].confidence >= _COUNTS
    ]
    if not candidates:
        return []
    chosen = max(with_numbers or candidates, key=rank)
    objecting = [
        words
        for place, words in enumerate(looks)
        if place != chosen and (lines[place].confidence >= _COUNTS or not with_numbers)
    ]
    seen: dict[WordKind, int] = {}
    items = []
    for word in looks[chosen]:
        place = seen.get(word.kind, 0)
        seen[word.kind] = place + 1
        total = sum(each.kind == word.kind for each in looks[chosen])
        others = [_counterpart(words, word.kind, place, total) for words in objecting]
        items.append(_item(box, word, _contenders(word, others)))
    return items


def _joined(boxes: Sequence[Points]) -> list[Points]:
    """Make one box of those that overlap within a row: both hold a digit of the other otherwise."""
    done: list[Points] = []
    for box in sorted(boxes, key=lambda each: float(each[:, 0].min())):
        last = next((at for at, each in enumerate(done) if _overlap_in_row(each, box)), None)
        if last is None:
            done.append(box)
        else:
            around = cv2.minAreaRect(np.concatenate([done[last], box]).astype(np.float32))
            done[last] = clockwise(np.asarray(cv2.boxPoints(around), dtype=np.float64))
    return done


def _overlap_in_row(one: Points, other: Points) -> bool:
    low, high = one.min(axis=0), one.max(axis=0)
    other_low, other_high = other.min(axis=0), other.max(axis=0)
    shared = np.minimum(high, other_high) - np.maximum(low, other_low)
    lower = min(high[1] - low[1], other_high[1] - other_low[1])
    return bool(shared[0] > 0 and shared[1] > _SAME_ROW * lower)


def _total(boxes: Sequence[Points]) -> float:
    return sum(_size(box) for box in boxes)


def _size(box: Points) -> float:
    width, height = sides(box)
    return width * height


def _covered(box: Points, others: Sequence[Points]) -> float:
    """Give the part of a box that others cover, all taken upright."""
    left, top = box.min(axis=0)
    right, bottom = box.max(axis=0)
    shared = 0.0
    for other in others:
        across = min(right, other[:, 0].max()) - max(left, other[:, 0].min())
        down = min(bottom, other[:, 1].max()) - max(top, other[:, 1].min())
        shared += max(float(across), 0.0) * max(float(down), 0.0)
    return shared / max(float((right - left) * (bottom - top)), 1.0)


def _counterpart(words: Sequence[Word], kind: WordKind, place: int, total: int) -> str:
    """Give what another look read in place of a word: the same in order of its kind, or all."""
    same = _texts(words, kind)
    if len(same) == total:
        return same[place]
    # A gap that only one look saw does not make two numbers.
    together = "".join(word.text for word in words if word.kind in (kind, "other"))
    return together if total == 1 else " ".join(word.text for word in words)


def _contenders(word: Word, others: Sequence[str]) -> list[str]:
    """Leave out what is no unit, where two looks agree on one: there are only so many units."""
    if word.kind != "unit" or not is_unit(word.text):
        return list(others)
    # Two spellings of one unit (µs, us) are the same.
    others = [word.text if is_same_unit(word.text, other) else other for other in others]
    if word.text not in others:
        return others
    return [other for other in others if is_unit(other)]


def _agrees(word: Word, other: str) -> bool:
    """Tell whether another look says the same.

    Blur takes decimal points away and never makes one, so a look that saw none is no objection.
    """
    return other in (word.text, re.sub(r"[.,]", "", word.text))


def _texts(words: Sequence[Word], kind: WordKind) -> tuple[str, ...]:
    return tuple(word.text for word in words if word.kind == kind)


def _item(box: Points, word: Word, others: Sequence[str]) -> Item:
    confidences = list(word.confidences)
    for other in others:
        if not _agrees(word, other):
            same_length = len(other) == len(word.text)
            for at, character in enumerate(word.text):
                if not same_length or other[at] != character:
                    confidences[at] = min(confidences[at], _DIFFERENT)
    begin, end = (box[0] + box[3]) / 2, (box[1] + box[2]) / 2
    _, height = sides(box)
    length = max(float(np.linalg.norm(end - begin)), 1.0)
    steps = max(len(word.text) - 1, 1)
    pitch = (word.end - word.start) / steps if len(word.text) > 1 else 0.4 * height / length
    one = begin + (end - begin) * max(word.start - pitch / 2, 0.0)
    two = begin + (end - begin) * min(word.end + pitch / 2, 1.0)
    return Item(
        word.kind,
        word.text,
        tuple(confidences),
        float(min(one[0], two[0])),
        float(min(one[1], two[1]) - height / 2),
        float(max(one[0], two[0])),
        float(max(one[1], two[1]) + height / 2),
        1 + sum(other == word.text for other in others),
        tuple(dict.fromkeys(other for other in others if not _agrees(word, other))),
    )


def _cut(picture: Pixels, box: Points) -> Pixels:
    """Cut a text out, straight, at the height that the recogniser works at."""
    width, height = sides(box)
    scale = _HEIGHT / max(height, 1.0)
    across = max(round(width * scale), 8)
    # Where the picture is larger than needed it is made smaller first: every pixel counts then.
    if scale < 1:
        size = (max(1, round(picture.shape[1] * scale)), max(1, round(picture.shape[0] * scale)))
        left, top = np.floor(box.min(axis=0)).astype(int) - 2
        right, bottom = np.ceil(box.max(axis=0)).astype(int) + 3
        left, top = max(left, 0), max(top, 0)
        part = picture[top:bottom, left:right]
        if part.size:
            size = (max(1, round(part.shape[1] * scale)), max(1, round(part.shape[0] * scale)))
            picture = np.asarray(
                cv2.resize(part, size, interpolation=cv2.INTER_AREA), dtype=np.uint8
            )
            box = (box - (left, top)) * (size[0] / part.shape[1], size[1] / part.shape[0])
    target = np.array([[0, 0], [across, 0], [across, _HEIGHT], [0, _HEIGHT]], dtype=np.float32)
    matrix = cv2.getPerspectiveTransform(box.astype(np.float32), target)
    cut = cv2.warpPerspective(
        picture, matrix, (across, _HEIGHT), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(cut, dtype=np.uint8)


def _grown(box: Points) -> Points:
    """Take in a quarter of the height more at each end, and a tenth above and below."""
    _, height = sides(box)
    along = (box[1] - box[0]) / max(float(np.linalg.norm(box[1] - box[0])), 1.0) * height * 0.25
    down = (box[3] - box[0]) / max(float(np.linalg.norm(box[3] - box[0])), 1.0) * height * 0.1
    return np.asarray(box + np.array([-along - down, along - down, along + down, down - along]))


def levelled(picture: Pixels) -> Pixels:
    """Stretch the contrast of a dark or pale picture; leave others as they are."""
    low, high = np.percentile(picture, (1, 99))
    if high - low >= _CONTRAST:
        return picture
    wide = (picture.astype(np.float32) - low) * (255.0 / max(float(high - low), 1.0))
    quiet = cv2.GaussianBlur(np.clip(wide, 0, 255).astype(np.uint8), (0, 0), 1.0)
    return np.asarray(quiet, dtype=np.uint8)


def _grey_levelled(crop: Pixels) -> Pixels:
    """Stretch the contrast, and give grey: colour tells a recogniser nothing."""
    grey = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY).astype(np.float64)
    low, high = np.percentile(grey, (2, 98))
    level = np.clip((grey - low) / max(high - low, 1.0), 0, 1) * 255
    return np.repeat(level.astype(np.uint8)[:, :, None], 3, axis=2)
