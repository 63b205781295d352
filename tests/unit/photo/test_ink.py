"""Small units beside large digits are cut off, and units that nobody found are found."""

import numpy as np
import pytest
from PIL import Image, ImageDraw

from capture.photo.ink import cut_at_units, unit_place
from simulators.displays import plain_font


def line(*words, size=(900, 200), ink=(240, 240, 240), ground=(20, 20, 30)):
    """Draw words at (left, height) on one base line; give pixels and the box around all."""
    image = Image.new("RGB", size, ground)
    pen = ImageDraw.Draw(image)
    for text, left, height in words:
        font = plain_font("DejaVuSans.ttf", height)
        pen.text((left, 170), text, fill=ink, font=font, anchor="ls")
    return np.asarray(image)


def box(left, top, right, bottom):
    return np.array([[left, top], [right, top], [right, bottom], [left, bottom]], dtype=float)


WHOLE = box(10, 10, 890, 190)


@pytest.mark.parametrize("colours", [{}, {"ink": (20, 20, 20), "ground": (200, 205, 190)}])
@pytest.mark.parametrize("unit", ["MΩ", "µH", "s"])
def test_a_low_unit_is_cut_off_the_digits(unit, colours):
    picture = line(("941.5", 60, 160), (unit, 620, 68), **colours)
    digits, cut = cut_at_units(picture, [WHOLE])
    assert digits[:, 0].max() < 615 < cut[:, 0].min() + 25
    assert cut[:, 1].min() > 80
    assert cut[:, 1].max() > 165


@pytest.mark.parametrize(
    "words", [[("941.5", 60, 160)], [("94.", 60, 160)], [("941.5 mΩ", 30, 120)]]
)
def test_a_line_of_one_height_stays_whole(words):
    (whole,) = cut_at_units(line(*words), [WHOLE])
    assert (whole == WHOLE).all()


def test_an_empty_box_stays():
    assert len(cut_at_units(line(), [WHOLE])) == 1


def test_a_unit_right_of_a_number_is_found():
    picture = line(("941.5", 60, 120), ("Ω", 500, 60))
    found = unit_place(picture, box(60, 60, 430, 180), 900)
    assert 470 < found[:, 0].min() < 505
    assert 530 < found[:, 0].max() < 570


def test_nothing_is_found_beyond_the_next_item_or_where_nothing_is():
    picture = line(("941.5", 60, 120), ("Ω", 500, 60))
    assert unit_place(picture, box(60, 60, 430, 180), 480) is None
    assert unit_place(line(("941.5", 60, 120)), box(60, 60, 430, 180), 900) is None


def test_what_reaches_in_from_another_row_is_no_unit():
    picture = line(("941.5", 60, 120), ("Ω", 500, 60)).copy()
    picture[40:66, 510:530] = 240
    found = unit_place(picture, box(60, 60, 430, 180), 900)
    assert found[:, 1].min() > 90
    only = line(("941.5", 60, 120)).copy()
    only[40:66, 510:530] = 240
    assert unit_place(only, box(60, 60, 430, 180), 900) is None


def test_a_unit_that_the_box_cuts_through_is_taken_whole():
    picture = line(("202.1", 60, 160), ("µH", 580, 68))
    _, unit = cut_at_units(picture, [box(10, 10, 612, 190)])
    whole = cut_at_units(picture, [WHOLE])[1]
    assert unit[:, 0].max() == pytest.approx(whole[:, 0].max(), abs=12)


def test_print_that_reaches_in_from_above_makes_no_digit_seem_low():
    picture = line(("73.11", 60, 120)).copy()
    picture[0:30, 60:200] = 240
    assert len(cut_at_units(picture, [box(10, 10, 700, 190)])) == 1
