"""Tagging: finding a stored reading by name, and the entry that ties it to a machine."""

from datetime import UTC, datetime

import pytest

from capture.errors import InputError
from capture.journal import JournalReader, Store
from capture.model import TestPoint
from capture.tagging import each_reading, find_reading, make_tag


@pytest.fixture
def journal(tmp_path, drafts):
    store = Store(tmp_path / "j")
    store.append(drafts(3))
    reader = JournalReader(tmp_path / "j")
    yield store, reader
    reader.close()
    store.close()


def tag(reader, row, **members):
    ordinary = {
        "site": "sawmill",
        "bench": "bench-1",
        "time": datetime(2026, 1, 5, 9, 0, tzinfo=UTC),
        "operator": "winder",
        "machine": "FAN-07",
        "point": TestPoint.parse("V-U"),
        "note": None,
    }
    return make_tag(reader, row, **ordinary | members)


def test_a_reading_is_found_by_id_by_number_and_as_the_last(journal):
    _, reader = journal
    row = find_reading(reader, "ohm-1:2")
    assert row.n == 2
    assert find_reading(reader, str(row.id)) == row
    assert find_reading(reader, str(row.id).upper()) == row
    assert find_reading(reader, "ohm-1:last").n == 3


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("ohm-1:9", "there is no reading 'ohm-1:9'"),
        ("ohm-1:0", "there is no reading"),
        ("nobody:last", "there is no reading"),
        ("ohm-1:first", "is no sequence number"),
        ("ohm-1:-1", "is no sequence number"),
        ("ohm-1:٣", "is no sequence number"),
        ("ohm-1:", "is no sequence number"),
        ("ohm-1", "does not name a reading; write an id"),
        ("", "does not name a reading"),
        ("0195c0de-0000-7000-8000-000000000001", "there is no reading"),
        ("ohm-1:" + "9" * 30, "there is no reading"),
        ("ohm-1:" + "9" * 5000, "does not name a reading"),
        ("\udcff:last", "does not name a reading"),
        ("\x1b[31m:last", "does not name a reading"),
    ],
)
def test_a_name_that_finds_nothing_is_refused_with_the_forms(journal, name, reason):
    with pytest.raises(InputError, match=r".+") as caught:
        find_reading(journal[1], name)
    assert reason in str(caught.value)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 400


def test_a_tag_names_the_one_that_held_before(journal):
    store, reader = journal
    row = find_reading(reader, "ohm-1:1")
    first = tag(reader, row)
    assert first.supersedes is None
    assert (first.reading, first.instrument) == (row.id, "ohm-1")
    assert first.test_point.direction == "reverse"
    store.append([first])
    assert tag(reader, row, machine="FAN-08").supersedes == first.id


def test_a_tag_is_no_reading(journal):
    store, reader = journal
    made = tag(reader, find_reading(reader, "ohm-1:1"))
    store.append([made])
    with pytest.raises(InputError, match="there is no reading"):
        find_reading(reader, str(made.id))


@pytest.mark.parametrize(
    "members", [{"machine": "FAN;7"}, {"operator": ""}, {"note": "\x1b[2J"}, {"machine": ""}]
)
def test_a_field_that_cannot_be_stored_is_refused(journal, members):
    reader = journal[1]
    with pytest.raises(InputError, match=next(iter(members))):
        tag(reader, find_reading(reader, "ohm-1:1"), **members)


def test_a_range_names_its_readings_one_by_one_and_each_once():
    names = ["ohm-1:2-4", "ohm-1:3", "lcr-1:last", "7f3e9b52-0000-4000-8000-000000000001"]
    assert each_reading(names) == ["ohm-1:2", "ohm-1:3", "ohm-1:4", *names[2:]]
    assert each_reading(["ohm-1:5-5"]) == ["ohm-1:5"]


@pytest.mark.parametrize("name", ["ohm-1:4-2", "ohm-1:1-501", "ohm-1:1-999999999999999999"])
def test_a_range_that_runs_backwards_or_without_end_is_refused(name):
    with pytest.raises(InputError, match="a range runs upwards, and over 500 readings at most"):
        each_reading([name])
