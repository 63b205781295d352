"""Numbers that are to be looked up: as few ranges as may be, and every one of them in one."""

from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from capture.historian import reuse
from capture.historian.intake import COLUMNS, Row
from capture.historian.reuse import Numbers

OHM, LCR = ("sawmill", "bench-1", "ohm-1"), ("sawmill", "bench-1", "lcr-1")
NOON = datetime(2026, 1, 5, 12, tzinfo=UTC)


def row(number, source=OHM):
    columns = [None] * len(COLUMNS["readings"])
    columns[COLUMNS["readings"].index("sequence")] = number
    return Row("readings", NOON, tuple(columns), source)


def test_a_stream_is_one_range_however_many_batches_it_comes_in():
    numbers = Numbers()
    assert not numbers
    for start in range(1, 1000, 10):
        numbers.add(row(number) for number in range(start, start + 10))
    assert numbers
    assert numbers.ranges == [(OHM, (1, 1000))]
    numbers.clear()
    assert not numbers
    assert numbers.ranges == []


def test_each_instrument_has_its_own_and_history_beside_the_stream_too():
    numbers = Numbers()
    numbers.add([row(5), row(90_001), row(6), row(90_000), row(7, LCR)])
    assert numbers.ranges == [(OHM, (5, 6)), (OHM, (90_000, 90_001)), (LCR, (7, 7))]


def test_numbers_far_from_each_other_are_soon_looked_up(monkeypatch):
    monkeypatch.setattr(reuse, "_MOST_RANGES", 3)
    numbers = Numbers()
    numbers.add([row(1), row(1001)])
    assert not numbers.many
    numbers.add([row(2001), row(3001)])
    assert numbers.many
    numbers.clear()
    assert not numbers.many


@given(st.lists(st.lists(st.integers(1, (1 << 63) - 1) | st.integers(1, 400), max_size=12)))
def test_every_number_is_in_a_range_and_no_range_reaches_beyond_what_came(batches):
    numbers = Numbers()
    for batch in batches:
        numbers.add(row(number) for number in batch)
    came = {number for batch in batches for number in batch}
    ranges = [each for _, each in numbers.ranges]
    assert all(any(first <= number <= last for first, last in ranges) for number in came)
    assert {edge for each in ranges for edge in each} <= came
