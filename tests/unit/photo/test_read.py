"""Rendered photos, read from their bytes to proposals. Large numbers of them: tests/bench."""

import socket

import numpy as np
import pytest
from PIL import Image

from capture.driver.profile.display import Display
from capture.errors import InputError
from capture.photo.engine import TextEngine
from capture.photo.expect import Expectation
from capture.photo.read import read_photo
from capture.photo.store import reencoded
from capture.photo.straighten import find_corners, straighten
from simulators.display_photos import DisplayPhoto, photograph

PAIRS = ("U-V", "V-W", "W-U")
SIX = ("U-V", "V-U", "V-W", "W-V", "W-U", "U-W")
POINTS = {"single": ("U-V",), "list": PAIRS, "grid": SIX}


def read(photo: DisplayPhoto, engine):
    expected = Expectation(photo.content.quantity, POINTS[photo.content.arrangement])
    return read_photo(reencoded(photo.encoded()), expected, Display(), engine)


@pytest.mark.parametrize(
    ("face", "arrangement", "condition"),
    [
        ("segments", "single", "fair"),
        ("segments", "grid", "fair"),
        ("dots", "list", "fair"),
        ("font", "grid", "tilt"),
        ("font", "list", "jpeg"),
    ],
)
def test_what_the_display_shows_is_proposed(engine, face, arrangement, condition):
    photo = photograph(1003, face, arrangement, condition)
    result = read(photo, engine)
    assert [each.digits for each in result.proposals] == [
        value.visible for value in photo.content.values
    ]
    assert [each.point for each in result.proposals] == list(POINTS[arrangement])
    units = {each.shown_unit for each in result.proposals}
    assert units == {photo.content.values[0].unit}
    assert all(each.value is not None for each in result.proposals)
    assert "HOLD" not in [each.text for each in result.proposals]


def test_a_crop_holds_its_value_and_lies_on_the_display(engine):
    photo = photograph(1003, "font", "list", "fair")
    result = read(photo, engine)
    left, top = np.array(photo.corners).min(axis=0)
    right, bottom = np.array(photo.corners).max(axis=0)
    crops = [each.crop for each in result.proposals]
    for crop in crops:
        assert left <= crop.left < crop.left + crop.width <= right
        assert top <= crop.top < crop.top + crop.height <= bottom
    # Rows lie below one another and hold no other row's middle.
    middles = [crop.top + crop.height / 2 for crop in crops]
    assert middles == sorted(middles)
    for crop in crops:
        assert sum(crop.top <= middle <= crop.top + crop.height for middle in middles) == 1


def test_a_point_that_cannot_be_seen_is_marked(engine):
    result = read(photograph(1003, "segments", "single", "missing-point"), engine)
    assert "." not in result.proposals[0].digits
    assert "no-decimal-point" in [doubt.kind for doubt in result.proposals[0].doubts]


def test_an_empty_picture_gives_nothing_and_says_so(engine):
    photo = DisplayPhoto(
        Image.new("RGB", (640, 480), (90, 90, 90)),
        photograph(1003, "font", "single").content,
        "fair",
        (),
    )
    result = read(photo, engine)
    assert result.proposals == ()
    assert [doubt.kind for doubt in result.doubts] == ["count"]


def test_what_is_no_photo_is_refused(engine):
    with pytest.raises(InputError, match="JPEG is expected"):
        read_photo(b"no photo", Expectation("resistance"), Display(), engine)


def test_loading_and_reading_open_no_connection(monkeypatch):
    def refused(*args, **kwargs):
        raise AssertionError("a connection was opened")

    for name in ("socket", "create_connection", "getaddrinfo"):
        monkeypatch.setattr(socket, name, refused)
    photo = photograph(1003, "font", "single")
    assert read(photo, TextEngine()).proposals[0].digits == photo.content.values[0].digits


@pytest.mark.parametrize("condition", ["fair", "tilt"])
def test_the_outline_that_is_found_holds_the_display(condition):
    photo = photograph(1003, "dots", "list", condition)
    corners = find_corners(np.asarray(photo.image))
    assert corners is not None
    # Its own outline, or that of the bezel around it.
    assert np.abs(corners - np.array(photo.corners)).max() < 60


def test_places_in_the_straightened_picture_lead_back_into_the_photo():
    photo = photograph(1003, "dots", "list", "tilt")
    seen = straighten(np.asarray(photo.image))
    height, width = seen.pixels.shape[:2]
    middle = seen.in_photo(np.array([[width / 2, height / 2]]))[0]
    low, high = np.array(photo.corners).min(axis=0), np.array(photo.corners).max(axis=0)
    assert (low < middle).all()
    assert (middle < high).all()


def test_no_outline_is_found_where_there_is_none():
    assert find_corners(np.full((300, 400, 3), 128, dtype=np.uint8)) is None
