"""Test points: written forms, aliases, derived pair and direction, contradictions."""

import pytest

from capture.errors import InputError
from capture.model import Direction, PointOfTest, TestPoint
from capture.model.testpoint import terminal

# IEC 60034-8 marks beside those of NEMA MG 1 for up to twelve leads.
ALIASES = {
    "T1": "U1",
    "T2": "V1",
    "T3": "W1",
    "T4": "U2",
    "T5": "V2",
    "T6": "W2",
    "T7": "U5",
    "T8": "V5",
    "T9": "W5",
    "T10": "U6",
    "T11": "V6",
    "T12": "W6",
}


@pytest.mark.parametrize(("alias", "mark"), ALIASES.items())
def test_a_lead_number_is_stored_as_its_iec_mark(alias, mark):
    assert terminal(alias) == mark
    assert terminal(alias.lower()) == mark


@pytest.mark.parametrize("mark", ["PE", "frame", "FRAME", "earth", "Ground"])
def test_the_frame_has_one_name(mark):
    assert terminal(mark) == "frame"


@pytest.mark.parametrize("mark", ["u", "U1", "1U", "2W2", "K", "N", "U1-2", "TP", "F10"])
def test_terminal_marks_are_taken(mark):
    assert terminal(mark) == mark.upper()


@pytest.mark.parametrize(
    "mark", ["", " ", "T13X", "U123", "0U", "U-", "Ü", "U V", "U\n1", "U1-0", "+"]
)
def test_what_is_no_terminal_is_refused_with_the_forms(mark):
    with pytest.raises(InputError, match="is not a terminal; written forms"):
        terminal(mark)


@pytest.mark.parametrize(
    ("text", "pair", "direction"),
    [
        ("U-V", "U-V", "forward"),
        ("V-U", "U-V", "reverse"),
        ("V-W", "V-W", "forward"),
        ("W-V", "V-W", "reverse"),
        ("W-U", "W-U", "forward"),
        ("U-W", "W-U", "reverse"),
        ("u-v", "U-V", "forward"),
        ("U1-U2", "U1-U2", "forward"),
        ("U2-U1", "U1-U2", "reverse"),
        ("U1-V1", "U1-V1", "forward"),
        ("T1-T4", "U1-U2", "forward"),
        ("T4-T1", "U1-U2", "reverse"),
        ("T1-T2", "U1-V1", "forward"),
        ("T3-T1", "W1-U1", "forward"),
        ("T12-T9", "W5-W6", "reverse"),
        ("K-L", "K-L", "forward"),
        ("M-L", "L-M", "reverse"),
        ("M-K", "M-K", "forward"),
        ("1U-1V", "1U-1V", "forward"),
        ("2V-2U", "2U-2V", "reverse"),
        ("U1-V2", None, None),
        ("1U-2V", None, None),
        ("U-K", None, None),
        ("U-frame", None, None),
        ("U+V+W-frame", None, None),
        ("U-U1", None, None),
        ("TP1-TP2", None, None),
    ],
)
def test_pair_and_direction_follow_from_the_leads(text, pair, direction):
    point = TestPoint.parse(text)
    assert (point.pair, point.direction) == (pair, direction)
    if pair is not None:
        assert point.swapped().pair == pair
        assert point.swapped().direction is not point.direction


def test_guarded_and_earthed_terminals_have_their_places():
    point = TestPoint.parse("U-frame guard V earth W+PE2")
    assert (point.first, point.second) == (("U",), ("frame",))
    assert (point.guard, point.earth) == (("V",), ("W", "PE2"))
    assert TestPoint.parse("U-frame earth W guard V").guard == ("V",)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "U",
        "U-",
        "-V",
        "U V",
        "U-V guard",
        "U-V shield W",
        "U-V guard W guard N",
        "U+-V",
        "U-V+",
        "U--V",
        "U-V " * 60,
        "U;DROP-V",
        "\x1b[31mU-V",
    ],
)
def test_what_is_no_test_point_is_refused(text):
    with pytest.raises(InputError):
        TestPoint.parse(text)


@pytest.mark.parametrize(
    "text", ["U-U", "U+V-U", "T1-U1", "U-V guard U", "U-V guard W earth W", "U+U-V"]
)
def test_a_terminal_sits_in_one_place_only(text):
    """T1 is U1, so an alias cannot hide the same terminal."""
    with pytest.raises(InputError, match="stands twice"):
        TestPoint.parse(text)


def test_the_number_of_terminals_is_bounded():
    many = "+".join(f"U{n}" for n in range(1, 25))
    with pytest.raises(InputError, match="at most 24"):
        TestPoint.parse(f"{many}-V")


def test_an_alias_cannot_be_stored():
    with pytest.raises(InputError, match="must be written 'U1'"):
        TestPoint(("T1",), ("V1",))


def test_an_empty_lead_is_refused():
    with pytest.raises(InputError, match="both leads"):
        TestPoint((), ("V",))


def test_a_direction_turns_the_leads_and_contradicts_a_reversed_point():
    point = TestPoint.parse("U-V")
    assert point.towards(Direction.FORWARD) == point
    assert str(point.towards(Direction.REVERSE)) == "V-U"
    backwards = TestPoint.parse("V-U")
    assert backwards.towards(Direction.REVERSE) == backwards
    with pytest.raises(InputError, match="contradicts direction forward"):
        backwards.towards(Direction.FORWARD)
    with pytest.raises(InputError, match="has no direction"):
        TestPoint.parse("U+V+W-frame").towards(Direction.FORWARD)


@pytest.mark.parametrize(
    "members",
    [
        {"pair": "V-W", "direction": "forward"},
        {"pair": "U-V", "direction": "reverse"},
        {"pair": "U-V"},
        {},
    ],
)
def test_a_stored_point_whose_pair_contradicts_its_leads_is_refused(members):
    with pytest.raises(ValueError, match="do not follow from the leads"):
        PointOfTest(first=("U",), second=("V",), **members)


def test_a_stored_point_gives_the_point_back():
    point = TestPoint.parse("V-U guard W earth frame")
    stored = PointOfTest.of(point)
    assert (stored.pair, stored.direction) == ("U-V", "reverse")
    assert PointOfTest.model_validate_json(stored.model_dump_json()).to_point() == point
