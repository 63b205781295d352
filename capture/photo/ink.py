"""Where the ink of a line stands: small units beside large digits, and units nobody found.

A recogniser that sees a small unit beside large digits takes a capital for a small letter, for it
goes by height. So a unit that is much lower than the digits before it is cut off and read alone.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from capture.photo.straighten import Pixels, Points, sides

_WORK = 64  # pixels of height that lines are looked at with
_INK = 0.45  # part of the strongest contrast that counts as ink; unlit segments stay below
_GAP = 0.16  # of the tallest group's height: what parts a unit from the digits
_LOW = 0.62  # of the tallest group's height: what is no digit any more
_DIGITS = 0.35  # of a line's height: what is lower than this holds no digits whole
_SPECK = 0.14  # of the height: lower is a speck or a decimal point
_EDGE = 0.25  # of its own height that is left around what was cut out

Span = tuple[int, int, int, int]  # left, right, top, bottom of a group of ink, in crop pixels


def cut_at_units(picture: Pixels, boxes: list[Points]) -> list[Points]:
    """Cut every box whose end is much lower than its digits into two."""
    return [part for box in boxes for part in _cut_at_unit(picture, box)]


def unit_place(picture: Pixels, number: Points, until: float) -> Points | None:
    """Find ink right of a number that is as strong as the number's own, up to a place ``until``.

    Gives the box of the first group; None where there is nothing.
    """
    _, height = sides(number)
    left = float(number[:, 0].max()) + 0.1 * height
    right = min(until, left + 4 * height, picture.shape[1] - 1.0)
    top, bottom = float(number[:, 1].min()), float(number[:, 1].max())
    if right - left < 0.3 * height:
        return None
    strip = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    strength = _strength(_upright(picture, number))
    crop = _upright(picture, strip)
    groups = [
        group
        for group in _groups(_within(_ink(crop, strength)), _WORK)
        if group[3] - group[2] >= _SPECK * _WORK
    ]
    if not groups:
        return None
    return _around(strip, groups[0], crop.shape[1])


def _cut_at_unit(picture: Pixels, box: Points) -> list[Points]:
    crop = _upright(picture, box)
    # What reaches in from the row above makes digits seem higher than they are.
    ink = _within(_ink(crop, _strength(crop)))
    groups = _groups(ink, _WORK)
    if len(groups) < 2:  # noqa: PLR2004 - digits and a unit
        return [box]
    tallest = max(bottom - top for _, _, top, bottom in groups)
    groups = _groups(ink, tallest)
    tall = [at for at, group in enumerate(groups) if group[3] - group[2] > _LOW * tallest]
    after = groups[tall[-1] + 1 :] if tall else []
    # A point that ends the digits is no unit.
    after = [group for group in after if group[3] - group[2] >= _SPECK * _WORK]
    if tallest < _DIGITS * _WORK or not after or not _is_wide(after, tallest):
        return [box]
    width = crop.shape[1]
    digits = _around(box, _together(groups[: tall[-1] + 1]), width)
    # The box may end within the unit: look for it anew, as far as the picture goes.
    anew = unit_place(picture, digits, picture.shape[1])
    unit = _around(box, _together(after), width)
    return [digits, unit if anew is None or anew[:, 0].max() < unit[:, 0].max() else anew]


def _is_wide(groups: list[Span], tallest: int) -> bool:
    """Tell a unit from a decimal point by its width."""
    left, right, top, bottom = _together(groups)
    return right - left >= 0.2 * tallest and bottom - top >= 0.15 * tallest


def _together(groups: list[Span]) -> Span:
    lefts, rights, tops, bottoms = zip(*groups, strict=True)
    return min(lefts), max(rights), min(tops), max(bottoms)


def _upright(picture: Pixels, box: Points) -> NDArray[np.float64]:
    """Cut a box out as grey, at the working height."""
    width, height = sides(box)
    across = max(round(width * _WORK / max(height, 1.0)), 8)
    target = np.array([[0, 0], [across, 0], [across, _WORK], [0, _WORK]], dtype=np.float32)
    matrix = cv2.getPerspectiveTransform(box.astype(np.float32), target)
    smooth = cv2.GaussianBlur(picture, (0, 0), max(height / _WORK, 0.5))
    cut = cv2.warpPerspective(
        smooth, matrix, (across, _WORK), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(cv2.cvtColor(cut, cv2.COLOR_RGB2GRAY), dtype=np.float64)


def _strength(grey: NDArray[np.float64]) -> float:
    """How far ink stands out from the ground, in levels."""
    return float(np.percentile(np.abs(grey - np.median(grey)), 97))


def _ink(grey: NDArray[np.float64], strength: float) -> NDArray[np.bool_]:
    away = np.abs(grey - np.median(grey))
    return np.asarray(away > max(_INK * strength, 12.0))


def _within(ink: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Leave out what reaches in from the rows above and below."""
    count, parts, stats, _ = cv2.connectedComponentsWithStats(ink.astype(np.uint8))
    top, height = stats[:, cv2.CC_STAT_TOP], stats[:, cv2.CC_STAT_HEIGHT]
    kept = (top > 0) & (top + height < len(ink)) & (np.arange(count) > 0)
    return np.asarray(kept[parts], dtype=np.bool_)


def _groups(ink: NDArray[np.bool_], tallest: int) -> list[Span]:
    """Give groups of ink that are parted by gaps, from the left."""
    columns = np.flatnonzero(ink.sum(axis=0) > 1)
    if not len(columns):
        return []
    breaks = np.flatnonzero(np.diff(columns) > _GAP * tallest)
    starts = [columns[0], *columns[breaks + 1]]
    ends = [*columns[breaks], columns[-1]]
    groups: list[Span] = []
    for start, end in zip(starts, ends, strict=True):
        rows = np.flatnonzero(ink[:, start : end + 1].any(axis=1))
        groups.append((int(start), int(end) + 1, int(rows[0]), int(rows[-1]) + 1))
    return groups


def _around(box: Points, span: Span, width: int) -> Points:
    """Give the box of a group of ink, with a little room around it, in the picture."""
    left, right, top, bottom = span
    room = _EDGE * (bottom - top)
    across = np.clip([(left - room) / width, (right + room) / width], 0, 1)
    down = np.clip([(top - room) / _WORK, (bottom + room) / _WORK], -0.2, 1.2)

    def place(u: float, v: float) -> NDArray[np.float64]:
        upper = box[0] + (box[1] - box[0]) * u
        lower = box[3] + (box[2] - box[3]) * u
        return np.asarray(upper + (lower - upper) * v, dtype=np.float64)

    (u0, u1), (v0, v1) = across, down
    return np.array([place(u0, v0), place(u1, v0), place(u1, v1), place(u0, v1)])
