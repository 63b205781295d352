"""Keyed entry: what a person types becomes a reading, or is refused with the reason."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.errors import ConfigError, InputError
from capture.keying import SIX, FromPhoto, Keying, Line, make_block, make_reading, parse_block
from capture.model import Evidence, TestPoint


def keying(**members):
    ordinary = {
        "site": "sawmill",
        "bench": "bench-1",
        "instrument": "keyed",
        "quantity": "pulse_time",
        "operator": "winder",
        "time": datetime(2026, 1, 5, 8, 0, tzinfo=UTC),
        "machine": "FAN-07",
    }
    return Keying(**ordinary | members)


def test_a_typed_value_is_a_reading_that_says_who_typed_what():
    made = make_reading(keying(note="cold"), " 87.42 µs ", TestPoint.parse("V-U"))
    assert made.value == 0.00008742
    assert (made.digits, made.shown_unit, made.unit) == ("87.42", "µs", "s")
    assert (made.source.kind, made.source.operator, made.source.typed) == (
        "keyed",
        "winder",
        "87.42 µs",
    )
    assert (made.tag.machine, made.tag.note) == ("FAN-07", "cold")
    assert (made.tag.test_point.pair, made.tag.test_point.direction) == ("U-V", "reverse")


def test_a_bound_can_be_keyed():
    made = make_reading(keying(quantity="insulation_resistance"), ">5.5 GΩ")
    assert (made.value, made.status, made.bound.value) == (None, "above-range", 5.5e9)


@pytest.mark.parametrize("typed", ["OL", "---"])
def test_a_display_without_a_number_can_be_keyed(typed):
    made = make_reading(keying(quantity="resistance"), typed)
    assert (made.value, made.unit) == (None, "Ohm")


@pytest.mark.parametrize(
    ("members", "typed", "reason"),
    [
        ({}, "87.42 Ω", "'87.42 Ω' is in Ohm, but pulse_time is in s"),
        ({}, "87.42", "has no unit"),
        ({}, "87.42 MS", "ambiguous"),
        ({}, "1,234 µs", "thousands separator"),
        ({}, "about 5 µs", "is not a value; accepted forms"),
        ({}, "", "is not a value"),
        ({"quantity": "pulsetime"}, "5 µs", "quantity 'pulsetime' is not known; known are"),
        ({"quantity": "x_mine"}, "OL", "has no unit, and x_mine has no fixed one"),
        ({"operator": "\x1b[31m"}, "5 µs", "operator"),
        ({"operator": ""}, "5 µs", "operator"),
        ({"machine": "FAN\n7"}, "5 µs", "machine"),
        ({"instrument": "My Meter"}, "5 µs", "instrument"),
        ({"note": "x" * 201}, "5 µs", "note"),
        ({"unit": "parsec"}, "5", "'parsec' is not known"),
    ],
)
def test_what_cannot_be_taken_is_refused_with_the_reason(members, typed, reason):
    with pytest.raises(InputError, match=r".+") as caught:
        make_reading(keying(**members), typed)
    assert reason in str(caught.value)
    assert str(caught.value).isprintable()


def test_a_test_point_needs_a_machine():
    with pytest.raises(InputError, match="give --machine"):
        make_reading(keying(machine=None), "5 µs", TestPoint.parse("U-V"))
    assert make_reading(keying(machine=None), "5 µs").tag is None


def test_an_id_made_where_it_was_typed_is_kept(some_id):
    assert make_reading(keying(), "5 µs", id_=some_id).id == some_id


def test_a_block_of_points_and_values_is_read():
    lines = parse_block("U-V 87.42 µs\nU-V reverse; 87.40 µs\n\n# cold\n V-W | 87,51 µs \n")
    assert [(str(line.point), line.typed) for line in lines] == [
        ("U-V", "87.42 µs"),
        ("V-U", "87.40 µs"),
        ("V-W", "87,51 µs"),
    ]


@pytest.mark.parametrize(
    "row",
    [
        "U\u2013V 842.1 mΩ",
        "U-V: 842.1 mΩ",
        "U-V = 842.1 mΩ",
        "\ufeffU-V 842.1 mΩ",
        "\uff35-V 842.1 mΩ",
    ],
)
def test_a_line_out_of_a_note_or_a_table_is_read_alike(row):
    assert parse_block(row) == parse_block("U-V 842.1 mΩ")


def test_values_alone_take_the_points_of_the_order():
    lines = parse_block("\n".join(f"{n} µs" for n in range(1, 7)), SIX)
    assert [str(line.point) for line in lines] == list(SIX)
    assert [line.typed for line in lines] == [f"{n} µs" for n in range(1, 7)]
    assert [line.point for line in parse_block("1 µs\n2 µs")] == [None, None]


def test_a_block_shares_a_group_and_differs_in_id():
    drafts = make_block(keying(), parse_block("U-V 1 µs\nV-U 2 µs"))
    assert len({draft.group for draft in drafts}) == 1
    assert len({draft.id for draft in drafts}) == 2


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ("", ["no values; write one a line"]),
        ("# only a remark\n\n", ["no values"]),
        ("U-V", ["line 1: 'U-V' has no value"]),
        ("U-V reverse", ["line 1: 'U-V reverse' has no value"]),
        ("V-U forward 5 µs", ["line 1: V-U is the reverse of U-V; that contradicts"]),
        ("U-frame reverse 5 µs", ["line 1: U-frame is not a pair"]),
        ("U-U 5 µs\nU-V 5 µs\nX9Y-V 1 µs", ["line 1: terminal U stands twice", "line 3: "]),
        ("U-V 5 µs\n6 µs", ["some values have a test point and some have none"]),
        ("U-V 5 µs\nU-V 6 µs", ["test point U-V stands twice in the block"]),
        ("U-V 5 µs\nV-U reverse 6 µs", ["test point V-U stands twice"]),
        ("1 µs\n2 µs", ["2 values for the 6 test points"]),
        (";", ["line 1: "]),
        ("|\n;;|", ["line 1: ", "line 2: "]),
    ],
)
def test_a_faulty_block_gives_one_line_each(text, faults):
    if text == "U-V 5 µs\nV-U reverse 6 µs":
        text += "\nV-U 7 µs"
    with pytest.raises(ConfigError) as caught:
        parse_block(text, SIX)
    assert len(caught.value.faults) == len(faults), caught.value.faults
    for found, wanted in zip(caught.value.faults, faults, strict=True):
        assert found.startswith(wanted)


def test_a_block_with_a_bad_value_gives_no_drafts_at_all():
    lines = [Line(None, "1 µs"), Line(None, "nonsense"), Line(None, "3 Ω")]
    with pytest.raises(ConfigError) as caught:
        make_block(keying(), lines)
    assert [fault.partition(":")[0] for fault in caught.value.faults] == ["line 2", "line 3"]


@given(
    text=st.one_of(st.text(max_size=80), st.text("UVW-+;|# \n0123456789.,µsΩ\x1b\0", max_size=60))
)
def test_a_hostile_block_is_lines_or_a_configuration_error(text):
    try:
        lines = parse_block(text, SIX)
    except (ConfigError, InputError):
        return
    assert lines
    try:
        make_block(keying(), lines)
    except ConfigError as error:
        assert error.faults


PHOTO = FromPhoto("3f" * 32, "87.42 µs", 0.71, ("low-confidence",))


def test_a_confirmed_proposal_says_what_was_proposed_and_who_confirmed():
    draft = make_reading(keying(), "87.42 µs", from_photo=PHOTO)
    assert draft.source.model_dump() == {
        "kind": "photo",
        "operator": keying().operator,
        "photo": "3f" * 32,
        "proposed": "87.42 µs",
        "confidence": 0.71,
        "doubts": ("low-confidence",),
    }
    assert [evidence.sha256 for evidence in draft.evidence] == ["3f" * 32]
    assert draft.value == make_reading(keying(), "87.42 µs").value


def test_a_corrected_proposal_keeps_both_texts():
    draft = make_reading(keying(), "81.42 µs", from_photo=PHOTO)
    assert (draft.source.proposed, draft.source.corrected) == ("87.42 µs", "81.42 µs")
    assert draft.digits == "81.42"


def test_a_photo_that_is_evidence_already_is_named_once():
    evidence = Evidence(kind="photo", sha256=PHOTO.photo, media_type="image/jpeg")
    draft = make_reading(replace(keying(), evidence=(evidence,)), "87.42 µs", from_photo=PHOTO)
    assert draft.evidence == (evidence,)


def test_a_proposal_is_not_confirmed_by_two():
    with pytest.raises(InputError, match="confirmed by one person"):
        make_reading(
            replace(keying(), second_operator="foreman"),
            "87.42 µs",
            again="87.42 µs",
            from_photo=PHOTO,
        )


@pytest.mark.parametrize("point", ["1F1-1F2", "1E1-1E2", "2U-2V", "4F1-4F2"])
def test_the_number_of_a_pole_or_a_winding_begins_a_test_point(point):
    (line,) = parse_block(f"{point} 27.1 Ω")
    assert (str(line.point), line.typed) == (point, "27.1 Ω")


@pytest.mark.parametrize("value", ["1E-3 Ω", "8e-1 Ω", "8.42E-1 Ω", "8E-1H"])
def test_a_power_of_ten_is_no_test_point(value):
    (line,) = parse_block(value)
    assert (line.point, line.typed) == (None, value)
