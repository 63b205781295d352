"""Lines of text become numbers, units, test points and directions; nothing is mended silently."""

import pytest

from capture.photo.engine import ReadLine
from capture.photo.words import direction_of, words_of


def line(text):
    count = len(text)
    places = tuple((at + 0.5) / count for at in range(count))
    return ReadLine(text, tuple(0.9 for _ in text), places)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("87.42 µs", [("number", "87.42"), ("unit", "µs")]),
        ("87.42μs", [("number", "87.42"), ("unit", "µs")]),  # Greek mu becomes the micro sign
        ("0,842 Ω", [("number", "0,842"), ("unit", "Ω")]),
        ("44. 96us", [("number", "44.96"), ("unit", "us")]),
        ("44 .96 us", [("number", "44.96"), ("unit", "us")]),
        ("20.26 23.39", [("number", "20.26"), ("number", "23.39")]),
        ("U-V 137.6", [("point", "U-V"), ("number", "137.6")]),
        ("U−V", [("point", "U-V")]),
        (">5.5 GΩ", [("number", ">5.5"), ("unit", "GΩ")]),
        ("OL", [("number", "OL")]),
        ("---", [("number", "---")]),
        ("HOLD", [("other", "HOLD")]),
        ("Reverse", [("direction", "Reverse")]),
        ("4.60.8", [("number", "4.60.8")]),
        ("12.3HH", [("number", "12.3"), ("other", "HH")]),
        ("3" * 40, [("number", "3" * 40)]),
        ("3" * 41, [("other", "3" * 41)]),
        ("-" * 300 + "Ω", [("other", "-" * 300 + "Ω")]),
        ("", []),
    ],
)
def test_words_of_a_line(text, expected):
    assert [(word.kind, word.text) for word in words_of(line(text))] == expected


def test_a_digit_is_never_made_of_a_letter():
    assert [word.kind for word in words_of(line("O.5 l2"))] == ["other", "other"]


def test_words_keep_confidence_and_place_of_their_characters():
    number, unit = words_of(ReadLine("1.5mH", (0.9, 0.8, 0.7, 0.6, 0.5), (0.1, 0.3, 0.5, 0.7, 0.9)))
    assert number.confidences == (0.9, 0.8, 0.7)
    assert (number.start, number.end) == (0.1, 0.5)
    assert unit.confidences == (0.6, 0.5)


def test_a_profile_may_name_directions():
    assert direction_of("vorwärts", {"Vorwärts": "forward"}) == "forward"
    assert direction_of("vorwärts") is None
