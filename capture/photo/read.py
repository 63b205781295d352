"""From a photo of a display to proposals. Pure: bytes and what is expected in, proposals out."""

import hashlib
import io

import numpy as np

from capture.driver.profile.display import Display
from capture.errors import InputError
from capture.model.photo import Crop, PhotoProposals
from capture.photo.engine import TextEngine
from capture.photo.expect import Expectation
from capture.photo.looks import read_items
from capture.photo.propose import Found, Locate, propose
from capture.photo.store import MOST_PIXELS
from capture.photo.straighten import Pixels, Straightened, straighten, whole

_MOST_OTHERS = 64


def read_photo(
    kept: bytes, expected: Expectation, display: Display, engine: TextEngine
) -> PhotoProposals:
    """Propose values for a step from a photo as it is kept (see `store.reencoded`).

    Raises:
        InputError: the bytes are no such photo.
    """
    photo = _pixels(kept)
    straight = straighten(photo)
    seen = straight or whole(photo)
    found = _read(seen, photo, expected, display, engine)
    # An outline that holds too little may be a frame within the display: look at everything.
    if straight is not None and _whole_values(found) < max(len(expected.points), 1):
        everything = whole(photo)
        other = _read(everything, photo, expected, display, engine)
        if _whole_values(other) > _whole_values(found):
            seen, found = everything, other
    corners = None
    if seen.corners is not None:
        corners = tuple((round(float(x), 1), round(float(y), 1)) for x, y in seen.corners)
    return PhotoProposals(
        photo=hashlib.sha256(kept).hexdigest(),
        width=photo.shape[1],
        height=photo.shape[0],
        display=corners,
        proposals=found.proposals,
        doubts=found.doubts,
        other_texts=tuple(_printable(text) for text in found.others if text)[:_MOST_OTHERS],
    )


def _whole_values(found: Found) -> int:
    """Count the values that have a number and a unit of the quantity."""
    return sum(each.value is not None for each in found.proposals)


def _read(
    seen: Straightened, photo: Pixels, expected: Expectation, display: Display, engine: TextEngine
) -> Found:
    items = read_items(seen.pixels, engine, display.directions)
    return propose(items, expected, display, _locator(seen, photo))


def _locator(seen: Straightened, photo: Pixels) -> Locate:
    def locate(left: float, top: float, right: float, bottom: float) -> Crop:
        box = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
        places = seen.in_photo(box)
        most = np.array([photo.shape[1] - 1, photo.shape[0] - 1])
        low = np.clip(np.floor(places.min(axis=0)), 0, most)
        high = np.clip(np.ceil(places.max(axis=0)), low + 1, most + 1)
        width, height = high - low
        return Crop(left=int(low[0]), top=int(low[1]), width=int(width), height=int(height))

    return locate


def _pixels(kept: bytes) -> Pixels:
    from PIL import Image  # noqa: PLC0415 - an extra

    try:
        with Image.open(io.BytesIO(kept), formats=("JPEG",)) as opened:
            if opened.width * opened.height > MOST_PIXELS:
                raise InputError(f"the photo has more than {MOST_PIXELS} pixels")
            return np.asarray(opened.convert("RGB"), dtype=np.uint8)
    except InputError:
        raise
    except Exception as error:
        raise InputError("not a photo as it is kept: JPEG is expected") from error


def _printable(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)[:200]
