"""What hands-free capture reads of a page of entries, while no job runs."""

import pytest

from capture.jobs.following import next_page
from capture.model import Gap, new_id


@pytest.fixture
def store(bench):
    """Store readings, each (quantity, instrument, status) or less of it; give their numbers."""

    def store_(*readings):
        drafts = []
        for value, (quantity, instrument, status) in enumerate(readings, 1):
            more = {"status": status, "record": '"status":"stale"'} if status == "noted" else {}
            more = {**more, "status": "ok" if status == "noted" else status}
            shown = None if status == "invalid" else value
            drafts.append(bench.draft(quantity, shown, instrument=instrument, **more))
        return [stored.n for stored in bench.store.append(drafts)]

    return store_


def ohms(status="ok", instrument="ohm-1"):
    return "resistance", instrument, status


def numbers(bench, after=0, *, in_use=False):
    return [row.n for row in next_page(bench.reader, after, in_use=in_use)[0]]


def test_of_each_value_of_an_instrument_the_newest_tells(bench, store):
    n = store(ohms(), ohms(instrument="lcr-1"), ohms(), ("inductance", "ohm-1", "ok"), ohms())
    assert numbers(bench) == [n[1], n[3], n[4]]


def test_a_held_display_does_not_hide_the_one_before_it(bench, store):
    n = store(ohms(), ohms("invalid"), ohms("stale"), ohms("stale"))
    assert numbers(bench) == [n[1], n[3]]


def test_a_text_that_speaks_of_a_held_display_is_none(bench, store):
    n = store(ohms(), ohms("noted"))
    assert numbers(bench) == [n[1]]


@pytest.mark.parametrize("quantity", ["insulation_resistance", "test_voltage"])
def test_a_test_voltage_is_followed_line_by_line(bench, store, quantity):
    n = store(*[(quantity, "ins-1", "ok")] * 5)
    assert numbers(bench) == n


def test_what_is_no_reading_is_looked_at(bench, store):
    store(ohms())
    now = bench.clock.utc()
    place = {"site": "sawmill", "bench": "bench-1", "instrument": "ohm-1"}
    bench.store.append([Gap(id=new_id(), begin=now, end=now, reason="a stall", **place)])
    gap = bench.reader.last_n()
    n = store(ohms())
    assert numbers(bench) == [gap, n[0]]


def test_while_a_job_runs_or_begins_nothing_is_left_out(bench, store):
    n = store(*[ohms()] * 8)
    assert numbers(bench, in_use=True) == n
    assert numbers(bench) == n[-1:]
    bench.begin("three-pair-inductance")
    store(*[ohms()] * 8)
    after = bench.reader.after(n[-1], 1000)
    assert "job" in {row.kind for row in after}
    assert numbers(bench, n[-1]) == [row.n for row in after], "one may begin on this page"


def test_pages_end_somewhere_and_go_on_there(bench, store, monkeypatch):
    monkeypatch.setattr("capture.jobs.following._MANY", 3)
    n = store(*[ohms()] * 8)
    found, at = [], 0
    while (page := next_page(bench.reader, at, in_use=False))[1] != at:
        rows, at = page
        found += [row.n for row in rows]
    assert found == [n[2], n[5], n[7]]
    assert next_page(bench.reader, at, in_use=False) == ([], at)
