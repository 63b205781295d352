"""`benchtally trend`, `compare` and `export` as a person runs them."""

import csv
import json
import shutil
import sys

import openpyxl
import pytest

from capture.cli import main as command_line
from capture.journal import JournalReader
from tests.unit.records.conftest import RecordBench

YEAR = 365.25 * 86400


@pytest.fixture(scope="module")
def two_jobs(tmp_path_factory):
    """The journal of a machine with two jobs, and those."""
    made = RecordBench(tmp_path_factory.mktemp("two"))
    jobs = []
    for insulation in (1.0, 0.4):
        made.do_job(angles=(), insulation=insulation)
        made.sign_off()
        jobs.append(str(made.job))
        made.clock.advance(YEAR)
    made.close()
    return made.path, jobs


@pytest.fixture
def filled(two_jobs, journal):
    """Put that journal where the command looks; give the jobs."""
    path, jobs = two_jobs
    shutil.copy(path, journal)
    return jobs


def test_trend_says_how_it_moved(run, filled):
    code, out, err = run("trend", "FAN-07")
    assert (code, err) == (0, "")
    line = next(line for line in out.splitlines() if "U-V at 25" in line)
    assert "no trend" in line
    assert "0.00 %" in line
    assert "no slope: 2 values, at least 3 are needed" in out
    assert "A date says what would be if it went on like this" in out
    code, out, _ = run("trend", "FAN-07", "--until", filled[0], "--json")
    document = json.loads(out)
    assert document["schema_version"] == 1
    assert {len(each["points"]) for each in document["trends"]} == {1}


def test_trend_of_nobody(run, filled):
    code, _, err = run("trend", "FAN-99")
    assert (code, err) == (
        2,
        "benchtally: machine 'FAN-99' is not registered; register it first\n",
    )


def test_compare(run, filled):
    code, out, err = run("compare", filled[0], "last")
    assert (code, err) == (0, "")
    assert "first: FAN-07, Extraction fan, after rewind, " in out
    line = next(line for line in out.splitlines() if "after 60 s" in line)
    assert "-60.00 %" in line
    assert "cannot tell" in line
    code, out, _ = run("compare", filled[0], filled[1], "--json")
    assert json.loads(out)["second"]["job"] == filled[1]


def test_compare_with_itself(run, filled):
    code, _, err = run("compare", "last", "last")
    assert (code, err) == (
        2,
        "benchtally: a job compared with itself tells nothing; name two jobs\n",
    )


def test_export_to_files_by_their_ending(run, filled, tmp_path):
    for name in ("all.csv", "all.jsonl", "all.xlsx", "all.parquet"):
        path = tmp_path / name
        code, out, err = run("export", "readings", "--out", str(path))
        noun = "documents" if name == "all.jsonl" else "rows"
        assert (code, err) == (0, "")
        assert f"{name}: 28 {noun}" in out
        assert path.stat().st_size > 500
    sheet = openpyxl.load_workbook(tmp_path / "all.xlsx")["readings"]
    assert sheet.max_row == 29
    assert sorted(each.name for each in tmp_path.iterdir() if each.name.startswith("all.")) == [
        "all.csv",
        "all.jsonl",
        "all.parquet",
        "all.xlsx",
    ]


def test_export_to_the_output_and_a_selection(run, filled, tmp_path):
    path = tmp_path / "trends.csv"
    code, _, _ = run("export", "trends", "--machine", "FAN-07", "--out", str(path),
                     "--decimal", "comma")  # fmt: skip
    lines = path.read_text("utf-8-sig").splitlines()
    rows = list(csv.DictReader(lines, delimiter=";"))
    assert code == 0
    assert {row["machine"] for row in rows} == {"FAN-07"}
    path = tmp_path / "results.jsonl"
    run("export", "results", "--job", "last", "--out", str(path))
    lines = path.read_text("utf-8").splitlines()
    assert {json.loads(line)["job"] for line in lines} == {filled[1]}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ("--out all.doc", "all.doc: say the form by its ending ("),
        ("--since soon", "--since 'soon' is no time such as 2026-01-31 or 2026-01-31T08:00"),
        ("--since 9999-12-31T23:59-14:00", "--since '9999-12-31T23:59-14:00' is no time such as"),
        (
            "--since 2026-02-01 --until 2026-01-01",
            "the end of the time asked for must lie after its beginning",
        ),
        ("--count 3", "--after, --count and --for belong to --follow"),
        ("--follow --form xlsx", "--follow gives readings as CSV or JSON lines; results and"),
        ("--follow --out x.csv", "--follow writes to the output; send that to a file by > FILE"),
        ("--follow --after 42", "--after '42' is no UUID"),
    ],
)
def test_what_cannot_be_is_said_in_one_line(run, filled, arguments, said):
    code, out, err = run("export", "readings", *arguments.split())
    assert (code, out) == (2, "")
    assert err.startswith(f"benchtally: {said}")
    assert err.count("\n") == 1


def test_a_file_that_cannot_be_written_keeps_its_name(run, filled, tmp_path):
    path = tmp_path / "nowhere" / "all.csv"
    code, _, err = run("export", "readings", "--out", str(path))
    assert (code, err) == (2, f"benchtally: {path}: cannot be written: No such file or directory\n")


def test_following_ends_by_itself_after_so_many(filled, journal, config, capfdbinary, monkeypatch):
    first = next(iter(_readings(journal)))["id"]
    monkeypatch.setattr(
        sys, "argv",
        ["benchtally", "export", "readings", "--follow", "--form", "jsonl", "--after", first,
         "--count", "5", "--config", str(config)],
    )  # fmt: skip
    with pytest.raises(SystemExit) as end:
        command_line.main()
    assert end.value.code == 0
    lines = [json.loads(line) for line in capfdbinary.readouterr().out.splitlines()]
    assert [each["id"] for each in lines] == [each["id"] for each in _readings(journal)[1:6]]


def _readings(journal):
    reader = JournalReader(journal)
    try:
        return list(reader.readings())
    finally:
        reader.close()
