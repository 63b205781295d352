"""Drawn displays: equal seeds give equal pixels, and what is drawn is what the truth says."""

from itertools import pairwise

import numpy as np
import pytest

from simulators.display_glyphs import SEGMENTS, lit_dots, segment_outline
from simulators.display_photos import CONDITIONS, photograph
from simulators.displays import ARRANGEMENTS, FACES, Content, Truth, content, draw

DIGITS = "0123456789"


def test_every_digit_has_a_shape_of_its_own():
    assert len({frozenset(SEGMENTS[digit]) for digit in DIGITS}) == len(DIGITS)
    assert len({frozenset(lit_dots(digit)) for digit in DIGITS}) == len(DIGITS)


def test_the_dots_of_a_one_stand_in_its_middle():
    assert {column for column, row in lit_dots("1") if 1 < row < 6} == {2}


@pytest.mark.parametrize("name", "abcdefg")
def test_a_segment_stays_within_its_digit(name):
    width, thickness = 50.0, 10.0
    height = 2 * width - thickness
    for x, y in segment_outline(name, width, thickness):
        assert 0 <= x <= width
        assert 0 <= y <= height


@pytest.mark.parametrize("face", FACES)
@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
def test_content_has_as_many_values_as_its_arrangement(face, arrangement):
    shown = content(5, face, arrangement)
    assert len(shown.values) == {"single": 1, "list": 3, "grid": 6}[arrangement]
    assert all("." in value.digits for value in shown.values)
    assert shown == content(5, face, arrangement)
    assert shown != content(6, face, arrangement)


def test_a_point_that_is_not_shown_is_true_all_the_same():
    hidden = Truth("U-V", "", "87.42", "µs", point_shown=False)
    assert hidden.visible == "8742"
    assert hidden.digits == "87.42"


@pytest.mark.parametrize("face", FACES)
def test_a_decimal_point_is_ink_between_two_digits(face):
    def inked(*, shown):
        truth = Truth("", "", "88.88", "mΩ", point_shown=shown)
        image = np.asarray(draw(Content(face, "single", "resistance", (truth,))), dtype=int)
        return (np.abs(image - image[0, 0]).sum(axis=2) > 200).sum()

    assert inked(shown=True) > inked(shown=False)


def test_equal_seeds_give_equal_pixels_and_others_do_not():
    first = photograph(3, "dots", "single", "glare")
    again = photograph(3, "dots", "single", "glare")
    other = photograph(4, "dots", "single", "glare")
    assert first.encoded() == again.encoded()
    assert first.encoded() != other.encoded()


@pytest.mark.parametrize("condition", CONDITIONS)
def test_the_corners_are_where_the_bezel_ends(condition):
    """Just outside every edge is the black bezel, whatever stands within."""
    photo = photograph(11, "dots", "list", condition)
    pixels = np.asarray(photo.image.convert("L"), dtype=float)
    corners = np.array(photo.corners)
    middle = corners.mean(axis=0)
    darker = 0
    for one, other in pairwise([*corners, corners[0]]):
        edge = (one + other) / 2
        away = (edge - middle) / np.linalg.norm(edge - middle)
        (ix, iy), (ox, oy) = (edge - 14 * away).astype(int), (edge + 14 * away).astype(int)
        inside = pixels[iy - 3 : iy + 4, ix - 3 : ix + 4].mean()
        darker += pixels[oy - 3 : oy + 4, ox - 3 : ox + 4].mean() < inside
    assert darker >= 3  # glare may whiten the bezel along one edge


def test_conditions_change_what_they_are_named_for():
    fair = np.asarray(photograph(11, "font", "single", "fair").image, dtype=float)
    dark = np.asarray(photograph(11, "font", "single", "low-light").image, dtype=float)
    assert dark.mean() < 0.5 * fair.mean()
    fair_photo = photograph(11, "font", "single", "fair")
    tilted = photograph(11, "font", "single", "tilt")

    def skew(photo):
        (x0, y0), (x1, y1), (x2, y2), (x3, y3) = photo.corners
        return abs((x1 - x0) - (x2 - x3)) + abs((y3 - y0) - (y2 - y1)) + abs(y1 - y0)

    assert skew(tilted) > skew(fair_photo)
