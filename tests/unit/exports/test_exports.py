"""Exports, read back by programs that are not ours."""

import csv
import io
import json
import threading
from datetime import UTC, datetime, timedelta

import duckdb
import openpyxl
import pyarrow.parquet as pq
import pytest

from capture.clock import SystemClock
from capture.errors import InputError, NotThereError
from capture.exports import workbook
from capture.exports.follow import follow
from capture.exports.forms import FORMS, table_of, write
from capture.exports.selection import Selection
from capture.exports.table import Column
from capture.exports.text import CsvLines
from capture.model import TestPoint, new_id
from capture.model.job import Noted
from capture.tagging import make_tag


def written(bench, what, form, asked=None, **more):
    out = io.BytesIO()
    table = table_of(what, bench.desk, asked or Selection(), bench.clock.utc())
    count = write(table, form, out, **more)
    return count, out.getvalue()


def rows_of_csv(data, **more):
    return list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"), newline=""), **more))


def all_readings(bench):
    return list(bench.reader.readings())


# ── readings, in every form ──────────────────────────────────────────────────────────────────


def test_csv_holds_every_reading_with_units_in_the_headings(years):
    count, data = written(years, "readings", "csv")
    stored = all_readings(years)
    rows = rows_of_csv(data)
    assert count == len(rows) == len(stored)
    assert "resistance [Ohm]" in rows[0]
    assert "insulation_resistance [Ohm]" in rows[0]
    assert "pulse_time [s]" in rows[0]
    assert "elapsed [s]" in rows[0]
    for row, reading in zip(rows, stored, strict=True):
        column = f"{reading['quantity']} [{reading['unit']}]"
        assert float(row[column]) == reading["value"]
        others = {"resistance [Ohm]", "insulation_resistance [Ohm]", "pulse_time [s]"} - {column}
        assert {row[each] for each in others} == {""}
        assert row["time (UTC)"] == reading["time"]
        assert row["id"] == reading["id"]


def test_a_comma_for_those_who_write_one(years):
    _, data = written(years, "readings", "csv", comma=True)
    rows = rows_of_csv(data, delimiter=";")
    first = all_readings(years)[0]
    assert rows[0]["resistance [Ohm]"] == repr(first["value"]).replace(".", ",")


def test_json_lines_are_the_stored_readings(years):
    count, data = written(years, "readings", "jsonl")
    lines = [json.loads(line) for line in data.splitlines()]
    assert lines == all_readings(years)
    assert count == len(lines)


def test_a_workbook_has_numbers_dates_and_text(years):
    """Read back by openpyxl."""
    count, data = written(years, "readings", "xlsx")
    book = openpyxl.load_workbook(io.BytesIO(data))
    assert book.sheetnames == ["readings", "about"]
    head, *rows = book["readings"].iter_rows(values_only=True)
    stored = all_readings(years)
    assert count == len(rows) == len(stored)
    for row, reading in zip(rows, stored, strict=True):
        cells = dict(zip(head, row, strict=True))
        assert cells[f"{reading['quantity']} [{reading['unit']}]"] == pytest.approx(
            reading["value"], rel=1e-14
        )
        moment = datetime.fromisoformat(reading["time"]).replace(tzinfo=None)
        assert abs(cells["time (UTC)"] - moment) < timedelta(milliseconds=1)
        assert isinstance(cells["sequence"], int)
    assert book["readings"].freeze_panes == "A2"
    about = dict(book["about"].iter_rows(values_only=True))
    assert about["rows"] == str(len(stored))


def test_parquet_has_types_and_units(years):
    """Read back by pyarrow, and asked by DuckDB as an analyst would."""
    _, data = written(years, "readings", "parquet")
    found = pq.read_table(io.BytesIO(data))
    stored = all_readings(years)
    assert found.num_rows == len(stored)
    assert str(found.schema.field("time").type) == "timestamp[us, tz=UTC]"
    assert found.schema.field("insulation_resistance").metadata == {b"unit": b"Ohm"}
    assert found.column("time").to_pylist() == [
        datetime.fromisoformat(each["time"]) for each in stored
    ]
    asked = (
        duckdb.from_arrow(found)
        .query(
            "found",
            'SELECT "test point", count(*), max(resistance) FROM found '
            "WHERE resistance IS NOT NULL AND status = 'ok' GROUP BY 1 ORDER BY 1",
        )
        .fetchall()
    )
    expected = {}
    for each in stored:
        if each["quantity"] == "resistance" and "tag" in each:
            leads = each["tag"]["test_point"]
            point = f"{leads['first'][0]}-{leads['second'][0]}"
            expected.setdefault(point, []).append(each["value"])
    assert asked == [
        (point, len(values), max(values)) for point, values in sorted(expected.items())
    ]


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("what", ["readings", "results", "trends"])
def test_nothing_selected_is_an_empty_table_that_opens(years, what, form):
    later = Selection(since=datetime(2090, 1, 1, tzinfo=UTC))
    count, data = written(years, what, form, later)
    if form == "csv":
        assert rows_of_csv(data) == []
    elif form == "xlsx":
        assert openpyxl.load_workbook(io.BytesIO(data))[what].max_row == 1
    elif form == "parquet":
        assert pq.read_table(io.BytesIO(data)).num_rows == 0
    assert count == (1 if (what, form) == ("trends", "jsonl") else 0)


# ── what is selected ─────────────────────────────────────────────────────────────────────────


def test_by_machine_instrument_quantity_and_time(years):
    stored = all_readings(years)
    middle = datetime.fromisoformat(stored[len(stored) // 2]["time"])
    for asked, fits in (
        (Selection(machine="FAN-07"), lambda r: "tag" in r),
        (Selection(machine="FAN-99"), lambda r: False),
        (Selection(instrument="ins-1"), lambda r: r["instrument"] == "ins-1"),
        (Selection(quantity="pulse_time"), lambda r: r["quantity"] == "pulse_time"),
        (Selection(since=middle), lambda r: datetime.fromisoformat(r["time"]) >= middle),
        (Selection(until=middle), lambda r: datetime.fromisoformat(r["time"]) < middle),
    ):
        _, data = written(years, "readings", "jsonl", asked)
        ids = [json.loads(line)["id"] for line in data.splitlines()]
        assert ids == [each["id"] for each in stored if fits(each)]


def test_a_selection_has_only_the_columns_that_it_needs(years):
    _, data = written(years, "readings", "csv", Selection(quantity="pulse_time"))
    head = data.decode("utf-8-sig").splitlines()[0]
    assert "pulse_time [s]" in head
    assert "resistance" not in head


def test_the_readings_of_a_job_tell_which_hold(years):
    count, data = written(years, "readings", "csv", Selection(job=years.jobs[2]))
    rows = rows_of_csv(data)
    assert count == 14  # three pairs, one superseded, four times, six pulse times
    assert [row["standing"] for row in rows].count("superseded") == 1
    assert {row["step"] for row in rows if row["standing"] == "superseded"} == {"resistance-u-v"}


def test_a_time_that_ends_before_it_begins_is_refused():
    now = datetime(2026, 1, 1, tzinfo=UTC)
    with pytest.raises(InputError, match="must lie after its beginning"):
        Selection(since=now, until=now)


def test_a_job_of_another_machine_is_refused(years):
    with pytest.raises(InputError, match="is of machine FAN-07, not FAN-08"):
        written(years, "readings", "csv", Selection(job=years.jobs[0], machine="FAN-08"))
    with pytest.raises(NotThereError):
        written(years, "readings", "csv", Selection(job=new_id()))


# ── results and trends ───────────────────────────────────────────────────────────────────────


def test_results_with_limit_and_verdict(years):
    _, data = written(years, "results", "csv", Selection(job=years.jobs[-1]))
    rows = {row["name"]: row for row in rows_of_csv(data)}
    stored = {each.name: each for each in years.desk.service.results(years.jobs[-1])}
    assert set(rows) == set(stored)
    row = rows["resistance unbalance (mean)"]
    assert float(row["value"]) == stored["resistance unbalance (mean)"].value
    assert (row["unit"], row["limit"], row["verdict"]) == ("%", "2.0", "pass")
    _, data = written(years, "results", "xlsx")
    assert openpyxl.load_workbook(io.BytesIO(data))["results"].max_row == 1 + sum(
        len({each.name for each in years.desk.service.results(job)}) for job in years.jobs
    )


def test_results_of_a_void_job_are_not_applicable_with_a_limit_or_without(bench):
    bench.do_job(angles=range(0, 180, 90))
    _, data = written(bench, "results", "csv")
    assert {row["verdict"] for row in rows_of_csv(data)} > {"", "pass"}
    bench.act(Noted(text="begun on the wrong machine", voids=True))
    _, data = written(bench, "results", "csv")
    assert {row["verdict"] for row in rows_of_csv(data)} == {"not applicable"}


def test_trends_are_a_row_a_job(years):
    _, data = written(years, "trends", "parquet", Selection(machine="FAN-07"))
    found = pq.read_table(io.BytesIO(data))
    rows = (
        duckdb.from_arrow(found)
        .query(
            "found",
            "SELECT name, count(*), min(baseline), any_value(direction) FROM found "
            "WHERE quantity = 'insulation_resistance' GROUP BY 1",
        )
        .fetchall()
    )
    ((name, count, baseline, direction),) = rows
    assert (name, count, direction) == ("insulation resistance after 60 s, at 40 °C", 5, "falling")
    assert baseline > 1e8


# ── hostile text ─────────────────────────────────────────────────────────────────────────────


def test_formulas_are_text_in_csv_and_in_workbooks(bench):
    nasty = '=HYPERLINK("http://192.0.2.1","look")'
    first = bench.store_reading("resistance", 0.5, "ohm-1")
    bench.append(
        [
            make_tag(
                bench.reader,
                bench.reader.entry(first),
                site="sawmill",
                bench="bench-1",
                time=bench.clock.utc(),
                operator="technician",
                machine="FAN-07",
                point=TestPoint.parse("U-V"),
                note=nasty,
            )
        ]
    )
    _, data = written(bench, "readings", "csv")
    assert rows_of_csv(data)[0]["note"] == f"'{nasty}"
    _, data = written(bench, "readings", "xlsx")
    cells = [cell for row in openpyxl.load_workbook(io.BytesIO(data))["readings"] for cell in row]
    (cell,) = [cell for cell in cells if cell.value == nasty]
    assert cell.data_type == "s"
    assert not [cell for cell in cells if cell.data_type == "f"]


def test_more_rows_than_a_sheet_holds_go_on_in_the_next(bench, monkeypatch):
    monkeypatch.setattr(workbook, "MOST_ROWS", 4)
    for place in range(7):
        bench.store_reading("resistance", 0.5 + place, "ohm-1")
    _, data = written(bench, "readings", "xlsx")
    book = openpyxl.load_workbook(io.BytesIO(data))
    assert book.sheetnames == ["readings", "readings 2", "readings 3", "about"]
    values = [
        row[head.index("resistance [Ohm]")]
        for name in book.sheetnames[:-1]
        for head, *rows in [list(book[name].iter_rows(values_only=True))]
        for row in rows
    ]
    assert values == [0.5 + place for place in range(7)]


# ── as they come ─────────────────────────────────────────────────────────────────────────────


def test_following_gives_each_reading_once_and_goes_on_where_it_was(bench):
    before = [bench.store_reading("resistance", 0.5, "ohm-1") for _ in range(3)]
    stop = threading.Event()
    stream = follow(bench.reader, Selection(), SystemClock(), stop, after=before[0])
    assert [next(stream)["id"] for _ in range(2)] == [str(each) for each in before[1:]]
    later = [bench.store_reading("inductance", 0.5, "lcr-1") for _ in range(600)]
    assert [next(stream)["id"] for _ in range(600)] == [str(each) for each in later]
    stop.set()
    assert list(stream) == []


def test_following_from_now_on_and_a_selection(bench):
    bench.store_reading("inductance", 0.5, "lcr-1")
    stop = threading.Event()
    stream = follow(bench.reader, Selection(instrument="lcr-1"), SystemClock(), stop)
    bench.store_reading("resistance", 0.6, "ohm-1")
    wanted = bench.store_reading("inductance", 0.7, "lcr-1")
    assert next(stream)["id"] == str(wanted)
    stop.set()
    assert list(stream) == []


def test_following_after_what_is_not_there(bench):
    bench.store_reading("resistance", 0.5, "ohm-1")
    with pytest.raises(NotThereError, match="to go on after"):
        next(follow(bench.reader, Selection(), SystemClock(), threading.Event(), after=new_id()))


def test_lines_of_csv_can_be_read_whatever_stands_in_them():
    lines = CsvLines([Column("note"), Column("value", "number")])
    text = lines.head()
    for note in ('a "quoted" one', "two\nlines", "a, comma", "lone \ud800 surrogate", "-1"):
        lines.add({"note": note, "value": -1.5})
    text += lines.taken()
    rows = rows_of_csv(text)
    assert [row["note"] for row in rows] == [
        'a "quoted" one',
        "two\nlines",
        "a, comma",
        "lone \\ud800 surrogate",
        "'-1",
    ]
    assert {row["value"] for row in rows} == {"-1.5"}
