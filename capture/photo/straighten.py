"""Finding the display in a photo, and seeing it from straight ahead.

A display is the smallest four-cornered outline of a fair size. Where none is found the whole photo
is taken: texts are straightened one by one later in any case. Needs OpenCV.
"""

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8]
Points = NDArray[np.float64]

_LONGEST = 800  # pixels of the copy that outlines are looked for in
_SMALLEST, _LARGEST = 0.035, 0.9  # part of the photo that a display may take
_WIDEST, _NARROWEST = 9.0, 0.8  # width by height
_MOST_WIDTH, _LEAST_WIDTH = 1600, 640  # of the straightened picture
_MARGIN = 0.015  # of the width, kept around the outline


@dataclass(frozen=True, slots=True)
class Straightened:
    """A display as seen from straight ahead.

    Attributes:
        pixels: red, green and blue.
        corners: of the display in the photo, clockwise from the upper left; None for a whole photo.
        back: takes a place in ``pixels`` to its place in the photo (homogeneous, 3 by 3).
    """

    pixels: Pixels
    corners: Points | None
    back: NDArray[np.float64]

    def in_photo(self, places: Points) -> Points:
        """Give the places in the photo of places in the straightened picture."""
        points = np.column_stack([places, np.ones(len(places))]) @ self.back.T
        return np.asarray(points[:, :2] / points[:, 2:], dtype=np.float64)


def whole(photo: Pixels) -> Straightened:
    """Take the whole photo, within the size that is worked on."""
    height, width = photo.shape[:2]
    scale = min(1.0, _MOST_WIDTH / max(width, height))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    pixels = cv2.resize(photo, size, interpolation=cv2.INTER_AREA)
    back = np.diag([width / size[0], height / size[1], 1.0])
    return Straightened(np.asarray(pixels, dtype=np.uint8), None, back)


def straighten(photo: Pixels) -> Straightened | None:
    """Find the display and see it from straight ahead; None where no outline looks like one."""
    corners = find_corners(photo)
    if corners is None:
        return None
    width, height = sides(corners)
    across = min(max(width, _LEAST_WIDTH), _MOST_WIDTH)
    down = across * height / width
    edge = _MARGIN * across
    target = np.array(
        [
            [edge, edge],
            [edge + across, edge],
            [edge + across, edge + down],
            [edge, edge + down],
        ]
    )
    back = np.asarray(
        cv2.getPerspectiveTransform(target.astype(np.float32), corners.astype(np.float32)),
        dtype=np.float64,
    )
    pixels = cv2.warpPerspective(
        photo,
        back,
        (round(across + 2 * edge), round(down + 2 * edge)),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return Straightened(np.asarray(pixels, dtype=np.uint8), corners, back)


def sides(corners: Points) -> tuple[float, float]:
    """Give width and height of a quadrangle in pixels: the longer of each two opposite sides."""
    upper, lower = corners[1] - corners[0], corners[2] - corners[3]
    left, right = corners[3] - corners[0], corners[2] - corners[1]
    width = max(float(np.linalg.norm(upper)), float(np.linalg.norm(lower)))
    height = max(float(np.linalg.norm(left)), float(np.linalg.norm(right)))
    return width, height


def find_corners(photo: Pixels) -> Points | None:
    """Give the corners of the display, clockwise from the upper left; None where none is found."""
    height, width = photo.shape[:2]
    scale = min(1.0, _LONGEST / max(width, height))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    small = cv2.resize(photo, size, interpolation=cv2.INTER_AREA)
    grey = cv2.GaussianBlur(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), (5, 5), 0)
    grey = cv2.normalize(grey, None, 0, 255, cv2.NORM_MINMAX)  # type: ignore[call-overload] # None: a new one
    found = []
    for mask in _masks(np.asarray(grey, dtype=np.uint8)):
        outlines, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
        for outline in outlines:
            corners = _four_corners(np.asarray(outline, dtype=np.int32), size[0] * size[1])
            if corners is not None:
                found.append(corners)
    if not found:
        return None
    smallest: Points = min(found, key=_area)
    return np.asarray(smallest / scale, dtype=np.float64)


def clockwise(points: Points) -> Points:
    """Order four corners clockwise from the upper left one."""
    middle = points.mean(axis=0)
    order = np.argsort(np.arctan2(*(points - middle).T[::-1]))
    turned: Points = points[order]
    first = int(np.argmin(turned.sum(axis=1)))
    return np.roll(turned, -first, axis=0)


def _masks(grey: Pixels) -> list[Pixels]:
    """Split into bright and dark in several ways, so that one of them shows the display whole."""
    middle, _ = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    levels = sorted({int(middle * part) for part in (0.4, 0.7, 1.0, 1.25)})
    masks = [np.asarray(grey > level, dtype=np.uint8) * 255 for level in levels if level < 250]  # noqa: PLR2004 - all white
    edges = cv2.dilate(cv2.Canny(grey, 30, 90), np.ones((3, 3), dtype=np.uint8))
    kernel = np.ones((7, 7), dtype=np.uint8)
    closed = [cv2.morphologyEx(mask, cv2.MORPH_CLOSE, kernel) for mask in masks]
    opened = [cv2.morphologyEx(mask, cv2.MORPH_OPEN, kernel) for mask in masks]
    return [np.asarray(mask, dtype=np.uint8) for mask in (*closed, *opened, edges)]


def _four_corners(outline: NDArray[np.int32], whole_area: int) -> Points | None:
    """Give an outline's corners if it is a convex quadrangle of the size and shape of a display."""
    area = cv2.contourArea(outline)
    if not _SMALLEST * whole_area <= area <= _LARGEST * whole_area:
        return None
    hull = cv2.convexHull(outline)
    if area < 0.85 * cv2.contourArea(hull):
        return None
    corners = cv2.approxPolyDP(hull, 0.03 * cv2.arcLength(hull, closed=True), closed=True)
    if len(corners) != 4:  # noqa: PLR2004 - a quadrangle
        return None
    if cv2.contourArea(corners) < 0.9 * area:
        return None
    points = clockwise(corners.reshape(4, 2).astype(np.float64))
    width, height = sides(points)
    return points if _NARROWEST <= width / max(height, 1.0) <= _WIDEST else None


def _area(points: Points) -> float:
    """Area of a polygon, by the shoelace formula."""
    pairs = pairwise([*points, points[0]])
    return abs(sum(float(a[0] * b[1] - b[0] * a[1]) for a, b in pairs)) / 2
