"""What a page says of values that came to no result: from what is told as data, never from words."""

import pytest

from capture.web.pages.remarks import uncomputed

FIRST, SECOND = "0197a1b2-0000-7000-8000-000000000001", "0197a1b2-0000-7000-8000-000000000002"


def view(*notes, status="taken", point="U-V"):
    value = {"reading": FIRST} if point is None else {"reading": FIRST, "point": point}
    step = {"quantity": "pulse_time", "status": status, "values": [value]}
    return {"steps": [step], "uncomputed": notes, "result_notes": ["pulse_time: something else"]}


def note(why, quantity="pulse_time", reading=None, condition=None):
    return {"quantity": quantity, "why": why, "reading": reading, "condition": condition}


BEGIN = "pulse time is taken, but not computed: "


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (note("two laws"), "two laws"),
        (note(" is odd", reading=FIRST), "U-V is odd"),
        (note(" is odd", reading=SECOND), f"reading {SECOND} is odd"),
        (
            note("give ", condition="winding_celsius"),
            "give the winding temperature, under the conditions",
        ),
        (note("give ", condition="air_humidity"), "give air humidity"),
        # Words stay as they are, whatever they look like.
        (note(f"reading {FIRST} and conditions.winding_celsius: a, b"),
         f"reading {FIRST} and conditions.winding_celsius: a, b"),
        (note(" of pulse_time: odd", reading=FIRST), "U-V of pulse_time: odd"),
    ],
)  # fmt: skip
def test_names_come_from_what_is_told_beside_the_words(given, said):
    assert uncomputed(view(given)) == [BEGIN + said]


def test_a_reading_at_no_point_is_named_by_its_id():
    given = note(" is odd", reading=FIRST)
    assert uncomputed(view(given, point=None)) == [f"{BEGIN}reading {FIRST} is odd"]


def test_what_is_still_to_be_done_is_no_news():
    assert uncomputed(view(note("why"), status="open")) == []
    assert uncomputed(view(note("why", quantity="resistance"))) == []
    assert uncomputed(view()) == []
