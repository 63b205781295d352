"""What a form writes is, byte for byte, what the model would have written."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.driver import Indication, ShownBound, Side, Status, parse_profile
from capture.errors import DriverError
from capture.model import new_id
from capture.runtime.drafting import Drafter, Provenance
from capture.runtime.forms import is_plain
from capture.runtime.session import Captured

NOW = datetime(2026, 3, 14, 8, 0, 0, 250_000, tzinfo=UTC)
ACCURATE = """
schema_version = 1
name = "accurate"
summary = "An ohmmeter with a data sheet"
driver = "ascii-meter"
[[lines]]
pattern = "R (?P<value>.+) (?P<unit>.+)"
quantity = "resistance"
[[accuracy]]
quantity = "resistance"
up_to = 1000.0
reading_percent = 0.1
counts = 3
"""


def drafter(profile=None):
    return Drafter(
        Provenance("sawmill", "bench-1", "ohm-1", "a-driver", "1%", profile, "/dev/a", new_id())
    )


def captured(*, query=None, time=NOW, synchronised=True, group=None, **members):
    plain = {
        "quantity": "resistance",
        "unit": "Ohm",
        "value": Decimal("0.8421"),
        "digits": "842.1",
        "shown_unit": "mOhm",
        "status": Status.OK,
        "raw": b"R 842.1 mOhm\r\n",
    }
    return Captured(Indication(**plain | members), time, query, group, synchronised)


def as_the_model_writes_it(make, each, written):
    """Write the same capture through the model, under the id that the form gave."""
    draft = make.draft(each).model_copy(update={"id": UUID(bytes=written.id)})
    return draft.model_dump_json().encode()


numbers = st.decimals(allow_nan=False, allow_infinity=False, places=None).filter(
    lambda number: abs(number) < Decimal("1E300")
)
texts = st.text(max_size=12)
captures = st.builds(
    captured,
    value=numbers,
    digits=st.one_of(st.sampled_from(["842.1", "1%d", '"', "\\", "8é", "0" * 200]), texts),
    shown_unit=st.sampled_from(["mOhm", "", "mΩ", '"', "%b"]),
    raw=st.one_of(
        st.sampled_from([b"", b"R 1\r\n", b'"\\\t', b"\x7f", b"\x1b[31m", b"%d"]),
        st.binary(max_size=20),
    ),
    query=st.sampled_from([None, "FETC?", 'SAY "%s"?']),
    synchronised=st.sampled_from([None, True, False]),
    time=st.timedeltas(timedelta(0), timedelta(days=999)).map(lambda past: NOW + past),
    conditions=st.dictionaries(
        st.sampled_from(["law", "range", "held"]),
        st.sampled_from(["period", "100%", True, False, (Decimal("1E3"), "Hz"), (Decimal(5), "V")]),
    ),
)


@given(st.lists(captures, min_size=2, max_size=8))
def test_what_a_form_writes_is_what_the_model_would_have_written(all_of_them):
    make = drafter()
    for each in all_of_them + all_of_them:
        try:
            written = make.write(each)
        except DriverError:
            with pytest.raises(DriverError):
                make.draft(each)
            continue
        assert written.text + b"}" == as_the_model_writes_it(make, each, written)
        assert (written.time, written.instrument) == (each.time, "ohm-1")
        assert written.draft().digits == each.indication.digits
        assert json.loads(written.body(7))["sequence"] == 7
        assert written.body(7) == written.text + b',"sequence":7}'


@given(st.lists(st.decimals("0.001", "5000", places=4), min_size=1, max_size=6))
def test_uncertainties_by_the_profile_are_written_too(values):
    make = drafter(parse_profile(ACCURATE, "accurate.toml"))
    for value in values + values:
        each = captured(value=value, digits=str(value), shown_unit="Ohm")
        written = make.write(each)
        assert written.text + b"}" == as_the_model_writes_it(make, each, written)
        assert ("uncertainty" in json.loads(written.text + b"}")) == (value <= 1000)


@pytest.mark.parametrize(
    "more",
    [
        {"value": None, "status": Status.ABOVE_RANGE, "bound": ShownBound(Side.ABOVE, Decimal(5))},
        {"elapsed": Decimal(15)},
        {"record": "0007"},
        {"instrument_time": "08:00"},
        {"group": new_id()},
    ],
)
def test_what_is_more_than_a_number_goes_through_the_model(more):
    each = captured(**more)
    assert not is_plain(each)
    make = drafter()
    written = make.write(each)
    read = json.loads(written.text + b"}")
    assert read.get("record") == written.record == each.indication.record
    assert {*more} - {"value", "status", "elapsed"} <= {*read}
    assert ("series" in read) == ("elapsed" in more)


def test_a_display_without_a_number_has_a_form_of_its_own():
    make = drafter()
    for _ in range(2):
        none = captured(value=None, digits="----", status=Status.INVALID, raw=b"----\r\n")
        assert json.loads(make.write(none).text + b"}")["value"] is None
        assert json.loads(make.write(captured()).text + b"}")["value"] == 0.8421


@pytest.mark.parametrize(
    "wrong",
    [
        {"value": None},
        {"value": Decimal("NaN")},
        {"value": Decimal("Infinity")},
        {"value": Decimal("1E400")},
        {"digits": ""},
        {"digits": "\x1b[31m"},
        {"digits": "1" * 201},
        {"digits": None},
        {"status": Status.INVALID},
        {"status": "good"},
        {"unit": "V"},
        {"raw": None},
        {"conditions": None},
        {"conditions": {"u": [1]}},
    ],
)
def test_what_no_reading_can_hold_is_refused_also_where_a_form_for_the_like_is_there(wrong):
    make = drafter()
    make.write(captured())
    make.write(captured())
    with pytest.raises((DriverError, AttributeError, TypeError)) as first:
        make.draft(captured(**wrong))
    with pytest.raises(first.type):
        make.write(captured(**wrong))


def test_conditions_that_a_driver_changes_in_place_are_not_taken_for_those_before():
    make, conditions = drafter(), {"range": "1"}
    one = captured(conditions=conditions)
    make.write(one)
    conditions["range"] = "2"
    assert json.loads(make.write(one).text + b"}")["conditions"] == {"range": "2"}


def test_conditions_that_are_always_different_do_not_fill_the_memory():
    make = drafter()
    for number in range(1000):
        make.write(captured(conditions={"angle": (Decimal(number), "deg")}))
    assert len(make._forms) <= 256


def test_ids_are_all_different_and_in_order():
    make = drafter()
    ids = [make.write(replace(captured(), query=None)).id for _ in range(1000)]
    assert ids == sorted(set(ids))
    assert all(UUID(bytes=each).version == 7 for each in ids)
