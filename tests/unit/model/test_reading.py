"""Readings: rules between members, bounds of every text, stamps."""

import json
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal

import pytest
from pydantic import ValidationError

from capture.model import Gap, Indication, Shown, Status, new_id, parse_shown
from capture.model.quantity import Quantity, unit_of


@pytest.mark.parametrize("status", ["above-range", "below-range", "invalid"])
def test_a_status_without_a_value_refuses_one(draft, status):
    assert draft(status=status, value=None).value is None
    with pytest.raises(ValidationError, match="has no value, but one is given"):
        draft(status=status)


def test_ok_needs_a_value(draft):
    with pytest.raises(ValidationError, match="status ok needs a value"):
        draft(value=None)


@pytest.mark.parametrize("status", ["unsettled", "stale", "live-voltage", "breakdown", "aborted"])
def test_other_statuses_go_with_a_value_and_without(draft, status):
    assert draft(status=status).value == 0.8421
    assert draft(status=status, value=None).value is None


@pytest.mark.parametrize("status", ["ok", "unsettled", "stale", "live-voltage", "breakdown"])
def test_only_a_status_without_a_value_has_a_bound(draft, status):
    bound = {"side": "above", "value": 5.5e9}
    with pytest.raises(ValidationError, match="cannot have a bound"):
        draft(status=status, bound=bound)
    assert draft(status="above-range", value=None, bound=bound).bound.value == 5.5e9


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_a_value_that_is_no_number_is_refused(draft, value):
    with pytest.raises(ValidationError, match="finite"):
        draft(value=value)


@pytest.mark.parametrize("quantity", list(Quantity))
def test_a_quantity_is_stored_in_its_one_unit(draft, quantity):
    unit = unit_of(quantity)
    assert draft(quantity=quantity, unit=unit).unit == unit
    other = "V" if unit != "V" else "A"
    with pytest.raises(ValidationError, match=f"is stored in {unit}, not in {other}"):
        draft(quantity=quantity, unit=other)


@pytest.mark.parametrize(
    "quantity", ["resistence", "Resistance", "", "x_", "x_A", "x-y", "x_" + "a" * 41]
)
def test_a_quantity_that_nobody_finds_again_is_refused(draft, quantity):
    with pytest.raises(ValidationError):
        draft(quantity=quantity)


@pytest.mark.parametrize("name", ["site", "bench", "instrument"])
@pytest.mark.parametrize(
    "text", ["", "A", "a b", "a/b", "a#", "+", "-a", "a-", "ä", "a\n", "a" * 64, "../a", "a.b"]
)
def test_a_name_fits_a_topic_and_a_file_name(draft, name, text):
    with pytest.raises(ValidationError):
        draft(**{name: text})


@pytest.mark.parametrize(
    "text", ["", "x" * 201, "\x1b[31m", "a\nb", "a\x00", "\x9b31m", "\x7f", "a\n"]
)
def test_a_line_has_no_control_characters_and_a_bound(draft, text):
    with pytest.raises(ValidationError):
        draft(digits=text)
    with pytest.raises(ValidationError):
        draft(source={"kind": "keyed", "operator": text, "typed": "1 Ω"})
    with pytest.raises(ValidationError):
        draft(tag={"machine": "FAN-07", "note": text})


@pytest.mark.parametrize("text", ["", "-A", "A\n", "A/", "FAN#7", "A" * 65, "\x1b[2J", "FAN;7"])
def test_a_machine_is_what_stands_on_a_label(draft, text):
    with pytest.raises(ValidationError):
        draft(tag={"machine": text})


@pytest.mark.parametrize("text", ["A", "FAN-07", "Hall 2/FAN.7", "a_b", "A" * 64])
def test_ordinary_machine_names_are_taken(draft, text):
    assert draft(tag={"machine": text}).tag.machine == text


def test_a_stamp_is_kept_in_utc_with_six_decimals(draft):
    local = datetime(2026, 1, 5, 9, 30, tzinfo=timezone(timedelta(hours=1)))
    assert json.loads(draft(time=local).model_dump_json())["time"] == "2026-01-05T08:30:00.000000Z"


def test_a_stamp_without_a_zone_is_refused(draft):
    with pytest.raises(ValidationError, match="timezone"):
        draft(time=datetime(2026, 1, 5, 8, 0))  # noqa: DTZ001 - that is what is refused


def test_nothing_is_edited_in_place(draft):
    made = draft()
    with pytest.raises(ValidationError, match="frozen"):
        made.value = 1.0


def test_members_that_are_not_there_are_left_out_of_the_text(draft):
    text = json.loads(draft().model_dump_json())
    for name in ("session", "bound", "tag", "conditions", "evidence", "raw", "group", "record"):
        assert name not in text
    assert text["schema_version"] == 1
    assert text["source"]["kind"] == "streamed"


def test_a_value_of_null_stays_in_the_text(draft):
    assert json.loads(draft(status="invalid", value=None).model_dump_json())["value"] is None


def test_a_gap_says_from_when_to_when_and_why():
    gap = Gap(
        id=new_id(),
        site="sawmill",
        bench="bench-1",
        instrument="ohm-1",
        begin=datetime(2026, 1, 5, 8, 0, tzinfo=UTC),
        end=datetime(2026, 1, 5, 8, 1, tzinfo=UTC),
        reason="the journal took no readings",
    )
    assert Gap.model_validate_json(gap.model_dump_json()) == gap


def test_an_indication_of_a_value_keeps_the_status_that_the_line_gives():
    shown = parse_shown("3.1 MΩ")
    made = Indication.of("resistance", "Ohm", shown, b"raw", status=Status.LIVE_VOLTAGE)
    assert (made.value, made.status) == (Decimal("3.1E6"), Status.LIVE_VOLTAGE)


def test_an_indication_of_a_display_without_a_number_keeps_that():
    shown: Shown = parse_shown(">5.5 GΩ")
    made = Indication.of("resistance", "Ohm", shown, b"raw", status=Status.UNSETTLED)
    assert (made.value, made.status, made.bound) == (None, Status.ABOVE_RANGE, shown.bound)
