"""From texts and their places to proposals: places decide, and what is not clear is marked."""

import pytest

from capture.driver.profile.display import Display
from capture.model.photo import Crop
from capture.photo.expect import Expectation
from capture.photo.looks import Item
from capture.photo.propose import propose

PAIRS = ("U-V", "V-W", "W-U")
RESISTANCE = Expectation("resistance", PAIRS)


def item(kind, text, left, top, *, sure=0.99, agreeing=3, others=(), width=None, height=40.0):
    right = left + (width or 20 * len(text))
    return Item(kind, text, (sure,) * len(text), left, top, right, top + height, agreeing, others)


def row(top, label, number, unit="Ω", **more):
    """A label, a number and a unit beside each other."""
    return [
        item("point", label, 10, top),
        item("number", number, 200, top, **more),
        item("unit", unit, 380, top),
    ]


def proposals(items, expected=RESISTANCE, display=None):
    def locate(left, top, right, bottom):
        return Crop(left=int(left), top=int(top), width=int(right - left), height=int(bottom - top))

    return propose(items, expected, display or Display(), locate)


def kinds(proposal):
    return [doubt.kind for doubt in proposal.doubts]


def three(first="842.1", second="843.0", third="841.7", **more):
    return [*row(0, "U-V", first, **more), *row(60, "V-W", second), *row(120, "W-U", third)]


def test_a_list_is_proposed_without_a_doubt():
    found = proposals(three())
    assert [(each.point, each.value) for each in found.proposals] == [
        ("U-V", 842.1),
        ("V-W", 843.0),
        ("W-U", 841.7),
    ]
    assert all(not each.doubts for each in found.proposals)
    assert not found.doubts
    assert {each.direction for each in found.proposals} == {"forward"}


def test_labels_count_and_not_the_order_on_the_display():
    items = [*row(0, "W-U", "841.7"), *row(60, "U-V", "842.1"), *row(120, "V-W", "843.0")]
    found = proposals(items)
    assert [(each.point, each.digits) for each in found.proposals] == [
        ("U-V", "842.1"),
        ("V-W", "843.0"),
        ("W-U", "841.7"),
    ]
    assert all(not each.doubts for each in found.proposals)


def test_without_labels_the_place_is_a_doubt():
    items = [each for each in three() if each.kind != "point"]
    found = proposals(items)
    assert [each.point for each in found.proposals] == list(PAIRS)
    assert all(kinds(each) == ["test-point"] for each in found.proposals)


def test_without_labels_a_profile_can_tell_the_order():
    items = [each for each in three() if each.kind != "point"]
    display = Display(points=("W-U", "V-W", "U-V"))
    found = proposals(items, display=display)
    assert [(each.point, each.digits) for each in found.proposals] == [
        ("W-U", "842.1"),
        ("V-W", "843.0"),
        ("U-V", "841.7"),
    ]
    assert all(not each.doubts for each in found.proposals)


def test_a_profile_can_name_the_labels():
    items = [*row(0, "A-B", "842.1"), *row(60, "B-C", "843.0"), *row(120, "C-A", "841.7")]
    display = Display(labels={"A-B": "U-V", "B-C": "V-W", "C-A": "W-U"})
    found = proposals(items, display=display)
    assert [each.point for each in found.proposals] == list(PAIRS)
    assert all(not each.doubts for each in found.proposals)


def test_a_swapped_pair_is_not_taken_for_the_pair():
    items = [*row(0, "U-V", "842.1"), *row(60, "W-V", "843.0"), *row(120, "W-U", "841.7")]
    odd = proposals(items).proposals[1]
    assert odd.point == "V-W"
    assert kinds(odd) == ["test-point"]
    assert "W-V was read" in odd.doubts[0].words


def test_u_for_v_is_seen_through_where_all_labels_are_in_order():
    items = [*row(0, "U-U", "842.1"), *row(60, "U-W", "843.0"), *row(120, "W-U", "841.7")]
    found = proposals(items)
    assert [each.point for each in found.proposals] == list(PAIRS)
    assert all(not each.doubts for each in found.proposals)


def test_u_for_v_out_of_order_is_a_doubt():
    items = [*row(0, "U-W", "842.1"), *row(60, "U-U", "843.0"), *row(120, "W-U", "841.7")]
    found = proposals(items)
    assert [kinds(each) for each in found.proposals] == [["test-point"], ["test-point"], []]


def test_a_label_between_two_rows_belongs_to_the_nearer_one():
    """A tall box of a label reaches into the row above; it must not name that row as well."""
    items = [each for each in three() if each.text not in ("V-W", "W-U")]
    items.append(item("point", "W-U", 10, 85, height=75.0))
    found = proposals(items)
    named = {each.digits: kinds(each) for each in found.proposals}
    assert named["843.0"] == ["test-point"]


def test_a_grid_has_a_direction_a_column():
    expected = Expectation("pulse_time", ("U-V", "V-U"))
    items = [
        item("unit", "µs", 10, 0),
        item("direction", "forward", 200, 0),
        item("direction", "reverse", 400, 0),
        item("point", "U-V", 10, 60),
        item("number", "87.42", 210, 60),
        item("number", "87.10", 410, 60),
    ]
    found = proposals(items, expected)
    assert [(each.point, each.direction, each.value) for each in found.proposals] == [
        ("U-V", "forward", 87.42e-6),
        ("V-U", "reverse", 87.10e-6),
    ]
    assert all(not each.doubts for each in found.proposals)


def test_a_missing_point_is_marked_and_never_put_in():
    first = proposals(three("8421")).proposals[0]
    assert first.value == 8421
    assert first.digits == "8421"
    assert "no-decimal-point" in kinds(first)


def test_a_number_without_a_point_is_fine_where_the_display_has_none():
    found = proposals(three("842", "843", "841"), display=Display(decimals=0))
    assert all(not each.doubts for each in found.proposals)


def test_decimals_that_differ_from_the_others_are_marked():
    assert kinds(proposals(three("84.21")).proposals[0]) == ["decimals"]


def test_a_profile_tells_decimals_and_digits():
    display = Display(decimals=2, digits=5)
    assert kinds(proposals(three(), display=display).proposals[0]) == ["decimals", "digits"]


def test_looks_that_differ_are_marked_with_what_they_read():
    first = proposals(three(others=("843.1",), agreeing=2)).proposals[0]
    assert kinds(first) == ["looks-differ"]
    assert "843.1" in first.doubts[0].words


def test_an_unsure_character_is_marked():
    assert kinds(proposals(three(sure=0.6)).proposals[0]) == ["low-confidence"]


def test_a_unit_that_is_not_sure_is_marked():
    items = three()
    items[2] = item("unit", "kΩ", 380, 0, others=("Ω",))
    first = proposals(items).proposals[0]
    assert kinds(first) == ["unit-prefix"]
    assert "kΩ, Ω" in first.doubts[0].words


@pytest.mark.parametrize("unit", ["mΩ", "MΩ"])
def test_m_and_capital_m_before_ohm_are_always_marked(unit):
    """A recogniser was sure of the wrong one on a dark photo, at every look."""
    first = proposals(row(0, "U-V", "941.5", unit), Expectation("resistance", ("U-V",)))
    assert kinds(first.proposals[0]) == ["unit-prefix"]
    assert "nine decades" in first.proposals[0].doubts[0].words


def test_a_profile_that_has_one_of_the_two_settles_it():
    expected = Expectation("resistance", ("U-V",))
    one, both = Display(units=("mΩ", "Ω")), Display(units=("mΩ", "MΩ"))
    items = row(0, "U-V", "941.5", "mΩ")
    assert kinds(proposals(items, expected, one).proposals[0]) == []
    assert kinds(proposals(items, expected, both).proposals[0]) == ["unit-prefix"]
    wrong = proposals(row(0, "U-V", "941.5", "MΩ"), expected, one)
    assert kinds(wrong.proposals[0]) == ["unit-unknown", "unit-prefix"]


def test_milli_before_henry_needs_no_mark():
    found = proposals(row(0, "U-V", "941.5", "mH"), Expectation("inductance", ("U-V",)))
    assert kinds(found.proposals[0]) == []


def test_a_unit_the_display_does_not_have_is_marked():
    display = Display(units=("kΩ", "MΩ"))
    assert kinds(proposals(three(), display=display).proposals[0]) == ["unit-unknown"]


def test_no_unit_gives_no_value():
    items = [each for each in three() if each.kind != "unit"]
    first = proposals(items).proposals[0]
    assert first.value is None
    assert kinds(first) == ["unit-missing"]


def test_a_unit_printed_on_the_case_comes_from_the_profile():
    items = [each for each in three() if each.kind != "unit"]
    found = proposals(items, display=Display(unit="mΩ"))
    assert [each.value for each in found.proposals] == [0.8421, 0.8430, 0.8417]
    assert found.proposals[0].text == "842.1"
    assert found.proposals[0].shown_unit == "mΩ"


def test_two_units_above_a_table_are_no_unit():
    items = [each for each in three() if each.kind != "unit"]
    items += [item("unit", "mΩ", 10, -90), item("unit", "kΩ", 300, -90)]
    assert all(each.value is None for each in proposals(items).proposals)


def test_other_quantities_are_left_out():
    items = [*three(), item("number", "1.000", 200, 190), item("unit", "kHz", 380, 190)]
    found = proposals(items)
    assert len(found.proposals) == 3
    assert not found.doubts


def test_a_unit_of_another_quantity_gives_no_value():
    found = proposals(row(0, "U-V", "842.1", "mH"), Expectation("resistance", ("U-V",)))
    assert found.proposals[0].value is None
    assert kinds(found.proposals[0]) == ["unit-of-another-quantity"]


def test_a_value_that_is_missing_is_said():
    found = proposals(three()[:6])
    assert len(found.proposals) == 2
    assert [doubt.kind for doubt in found.doubts] == ["count"]


def test_of_several_numbers_the_tallest_is_meant():
    items = [item("number", "842.1", 200, 0, height=100), item("unit", "Ω", 320, 40)]
    items += [item("number", "12.5", 200, 150, height=30), item("unit", "mΩ", 380, 150, height=30)]
    found = proposals(items, Expectation("resistance", ("U-V",)))
    assert [each.digits for each in found.proposals] == ["842.1"]
    assert not found.doubts


def test_two_numbers_as_tall_are_a_doubt():
    items = [*row(0, "U-V", "842.1"), *row(60, "V-W", "843.0")]
    found = proposals(items, Expectation("resistance", ("U-V",)))
    assert [doubt.kind for doubt in found.doubts] == ["count"]


@pytest.mark.parametrize(
    ("text", "status"), [("OL", "above-range"), (">5.5", "above-range"), ("---", "invalid")]
)
def test_displays_without_a_number(text, status):
    found = proposals(row(0, "U-V", text), Expectation("resistance", ("U-V",)))
    assert found.proposals[0].status == status
    assert found.proposals[0].value is None


def test_numbers_that_touch_may_be_one():
    items = [item("number", "84", 200, 0, width=60), item("number", "2.1", 262, 0)]
    items.append(item("unit", "mΩ", 380, 0))
    found = proposals(items, Expectation("resistance", ("U-V",)))
    assert all("cut-off" in kinds(each) for each in found.proposals)


def test_what_a_profile_ignores_is_no_value():
    items = [*three(), item("number", "12.04", 200, 190), item("unit", "mΩ", 380, 190)]
    found = proposals(items, display=Display(ignore=(r"12\.\d+",)))
    assert len(found.proposals) == 3


@pytest.mark.parametrize("read", ["mS", "MS", "Ms", "µS", "uS"])
def test_letters_of_a_time_are_small_and_that_is_marked(read):
    items = [*row(0, "U-V", "1.185", read), *row(60, "V-W", "1.105", read)]
    found = proposals(items, Expectation("pulse_time", PAIRS[:2]))
    first, _ = found.proposals
    assert first.shown_unit == read.lower()
    assert first.text == f"1.185 {read}"  # as read
    assert first.value == pytest.approx(1.185e-3 if read[0] in "mM" else 1.185e-6)
    assert "unit-prefix" in kinds(first)


def test_siemens_are_left_alone_where_no_time_is_meant():
    found = proposals(row(0, "U-V", "1.185", "mS"), Expectation("conductance", ("U-V",)))
    assert (found.proposals[0].shown_unit, found.proposals[0].unit) == ("mS", "S")
