"""What hands-free capture looks at of a page of entries, while no job runs."""

import json

import pytest

from capture.clock import ManualClock
from capture.jobs.watcher import JobWatch
from capture.journal import Row


@pytest.fixture
def watch():
    return JobWatch(None, ManualClock())


def reading(n, instrument="ohm-1", quantity="resistance", status="ok"):
    body = json.dumps({"status": status, "note": '"status":"stale"'}, separators=(",", ":"))
    return Row(n, n.to_bytes(16), "reading", instrument, quantity, body.encode())


def other(n, kind):
    return Row(n, n.to_bytes(16), kind, "", "", b"{}")


def numbers(watch, rows):
    return [row.n for row in watch.telling(rows)]


def test_of_each_value_of_an_instrument_the_newest_tells(watch):
    rows = [reading(1), reading(2, "lcr-1"), reading(3), reading(4, quantity="voltage"), reading(5)]
    assert numbers(watch, rows) == [2, 4, 5]


def test_a_held_display_does_not_hide_the_one_before_it(watch):
    rows = [reading(1), reading(2, status="invalid"), reading(3, status="stale")]
    rows.append(reading(4, status="stale"))
    assert numbers(watch, rows) == [2, 4]


@pytest.mark.parametrize("quantity", ["insulation_resistance", "test_voltage"])
def test_a_test_voltage_is_followed_line_by_line(watch, quantity):
    rows = [reading(n, quantity=quantity) for n in range(1, 6)]
    assert numbers(watch, rows) == [1, 2, 3, 4, 5]


def test_what_is_no_reading_is_looked_at(watch):
    assert numbers(watch, [reading(1), other(2, "gap"), reading(3)]) == [2, 3]


def test_with_a_job_everything_tells(watch, monkeypatch):
    rows = [reading(1), reading(2), other(3, "job"), reading(4)]
    assert numbers(watch, rows) == [1, 2, 3, 4], "one may begin on this page"
    monkeypatch.setattr(watch, "_running", object)
    assert numbers(watch, rows[:2]) == [1, 2]


# ── the page is read so that what does not tell is left out ──────────────────────────────────────


def test_what_is_left_out_of_a_page_is_what_does_not_tell(bench, watch):
    drafts = [
        bench.draft(quantity, value, instrument=instrument)
        for value in range(1, 9)
        for quantity in ("resistance", "inductance", "insulation_resistance")
        for instrument in ("ohm-1", "lcr-1")
    ]
    bench.store.append(drafts)
    held = bench.draft("resistance", 9, instrument="ohm-1", status="stale")
    bench.store.append([held])
    everything = bench.reader.after(0, 1000)
    rows, last = watch.page(bench.reader, 0)
    assert last == everything[-1].n
    assert list(rows) == list(watch.telling(everything))
    assert len(rows) < len(everything) / 2
    assert watch.page(bench.reader, last) == ([], last)
    middle = everything[20].n
    assert watch.page(bench.reader, middle)[0] == watch.telling(everything[21:])


def test_while_a_job_runs_or_begins_nothing_is_left_out(bench, watch, monkeypatch):
    drafts = [bench.draft("resistance", value) for value in range(1, 9)]
    bench.store.append(drafts)
    monkeypatch.setattr(watch, "_running", object)
    assert len(watch.page(bench.reader, 0)[0]) == 8
    monkeypatch.undo()
    assert len(watch.page(bench.reader, 0)[0]) == 1
    before = bench.reader.last_n()
    bench.begin("three-pair-inductance")
    bench.store.append([bench.draft("resistance", value) for value in range(1, 9)])
    after = bench.reader.after(before, 1000)
    assert "job" in {row.kind for row in after}
    assert list(watch.page(bench.reader, before)[0]) == after


def test_pages_end_somewhere_and_go_on_there(bench, watch, monkeypatch):
    monkeypatch.setattr("capture.jobs.watcher._MANY", 3)
    bench.store.append([bench.draft("resistance", value) for value in range(1, 9)])
    found, at = [], 0
    while (page := watch.page(bench.reader, at))[1] != at:
        rows, at = page
        found += [row.n for row in rows]
    assert found == [3, 6, 8]
