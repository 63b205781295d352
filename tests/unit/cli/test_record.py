"""``benchtally record``: one job's record, many, and verifying one, as a person does it."""

import json
import os
import shutil
from pathlib import Path

import pikepdf
import pytest

from capture import __version__
from capture.clock import SystemClock
from capture.journal import JournalReader
from capture.records.pdf import drawn_by

OPERATOR = ("--operator", "winder")
PULSES = "112.4 µs\n112.6 µs\n112.5 µs\n"


@pytest.fixture(scope="module")
def done_once(tmp_path_factory):
    """A folder for what the first of these tests leaves of its job, for all after it."""
    return tmp_path_factory.mktemp("done") / "bench"


@pytest.fixture
def signed(jobs, tmp_path, monkeypatch, done_once):
    """A job that is signed off, and a folder to write into."""
    monkeypatch.chdir(tmp_path)
    if done_once.exists():
        shutil.copytree(done_once, tmp_path, dirs_exist_ok=True)
        return jobs
    do_job(jobs)
    jobs.act("finish")
    jobs.act("sign-off", "--statement", "to be fitted")
    shutil.copytree(tmp_path, done_once)
    return jobs


def do_job(jobs):
    jobs.start("pulse-three-pairs", "--rotor", "out")
    jobs.act("override", "pulse", "insulation", "--reason", "tested at the incoming inspection")
    jobs.key("pulse_time", "--block", "--confirm", given=PULSES)


def stored(jobs):
    reader = JournalReader(jobs.journal)
    try:
        return [json.loads(row.body) for row in reader.after(0, 1000) if row.kind == "record"]
    finally:
        reader.close()


def test_signing_off_makes_the_record(signed):
    (record,) = stored(signed)
    assert record["signature"]["operator"] == "winder"
    assert record["signature"]["statement"] == "to be fitted"
    assert record["state"] == "signed-off"


def test_every_form_is_written_under_a_name_that_tells_what_it_is(signed, tmp_path):
    said = signed.do("record", "last", "--pdf", "--html", "--json", "--csv", "--out", "out")
    paths = [Path(line) for line in said.splitlines()]
    assert [path.suffix for path in paths] == [".pdf", ".html", ".json", ".csv"]
    assert all(path.name.startswith("record-FAN-07-") for path in paths)
    assert all("-v1." in path.name for path in paths)
    assert json.loads(paths[2].read_bytes()) == stored(signed)[0]
    assert not list((tmp_path / "out").glob(".*"))


def test_without_a_name_the_record_says_so_in_its_own_language(jobs, tmp_path):
    do_job(jobs)
    for language, said in (("en", "by nobody named on"), ("de", "von nicht genannter Person am")):
        out = tmp_path / f"{language}.html"
        jobs.do("record", "last", "--html", "--language", language, "--out", str(out))
        assert said in out.read_text("utf-8")


def test_without_a_form_it_is_a_pdf_where_one_is(signed):
    (line,) = signed.do("record", "last").splitlines()
    assert Path(line).read_bytes().startswith(b"%PDF")


def test_the_written_files_verify_and_a_changed_one_does_not(signed):
    signed.do("record", "last", "--pdf", "--json", "--out", "r.json")
    for name in ("r.json", "r.pdf"):
        said = signed.do("record", "verify", name)
        assert "as it was made; 3 readings" in said
    text = Path("r.json").read_text("utf-8")
    Path("bad.json").write_text(text.replace("112.4", "112.3"), "utf-8")
    said = signed.do("record", "verify", "bad.json", code=1)
    assert "it was changed" in said
    answer = json.loads(signed.do("record", "verify", "r.pdf", "--json"))
    assert answer["ok"] is True
    assert answer["differs"] == []


def altered(path):
    """Put words onto a PDF's first page, and leave all else of it as it was."""
    with pikepdf.open(path) as pdf:
        page = pdf.pages[0]
        page.contents_add(b"BT /F1 12 Tf 50 500 Td (9.9 GOhm) Tj ET")
        pdf.save("altered.pdf")
    return "altered.pdf"


def test_the_pages_of_a_pdf_are_drawn_again_and_the_verdict_says_so(signed):
    for language, paper in (("en", "a4"), ("de", "letter")):
        how = ("--language", language, "--paper", paper)
        signed.do("record", "last", "--pdf", "--out", "r.pdf", *how)
        said = signed.do("record", "verify", "r.pdf")
        assert "its pages show it: drawn again, the file is the same byte by byte" in said
        assert json.loads(signed.do("record", "verify", "r.pdf", "--json"))["pages"] == "same"


def test_pages_that_were_changed_do_not_verify_though_the_record_in_them_is_whole(signed):
    signed.do("record", "last", "--pdf", "--out", "r.pdf")
    changed = altered("r.pdf")
    said = signed.do("record", "verify", changed, code=1)
    assert "its pages are not what this program draws" in said
    assert "they were changed" in said
    assert said.count("\n") == 1
    code, out, _ = signed.run("record", "verify", changed, "--json")
    answer = json.loads(out)
    assert (code, answer["ok"], answer["pages"]) == (1, False, "changed")


def test_pages_of_another_version_are_not_vouched_for(signed, monkeypatch):
    signed.do("record", "last", "--pdf", "--out", "r.pdf")
    monkeypatch.setattr("capture.records.pdf.__version__", "9.9.9")
    drawn_by.cache_clear()
    try:
        said = signed.do("record", "verify", "r.pdf")
    finally:
        drawn_by.cache_clear()
    assert "as it was made; 3 readings" in said
    assert "NOT VERIFIED are the pages: another version drew them" in said


def drawn_by_version(signed, monkeypatch, version):
    """Draw the record's PDF as another version does."""
    with monkeypatch.context() as patched:
        patched.setattr("capture.records.pdf.__version__", version)
        drawn_by.cache_clear()
        signed.do("record", "last", "--pdf", "--out", "r.pdf")
    drawn_by.cache_clear()


def test_the_version_that_drew_the_pages_is_named_and_the_contents_are_vouched_for(
    signed, monkeypatch
):
    drawn_by_version(signed, monkeypatch, "0.0.9")
    said = signed.do("record", "verify", "r.pdf")
    assert said.splitlines()[0].endswith(
        f"; its contents are verified, only the drawing could not be repeated. NOT VERIFIED are the "
        f"pages: another version drew them ({drawn_by().replace(__version__, '0.0.9')}; here draws "
        f"{drawn_by()}), so this one cannot tell whether they show the record attached to them; "
        "draw it anew to see"
    )
    answer = json.loads(signed.do("record", "verify", "r.pdf", "--json"))
    assert (answer["ok"], answer["pages"]) == (True, "another-program")
    assert answer["drawn_by"] == drawn_by().replace(__version__, "0.0.9")
    assert answer["draws"] == drawn_by()


@pytest.mark.parametrize(
    ("keywords", "named"),
    [
        ("", "a program that it does not name"),
        ("\x1b[31mred\n" + "x" * 5000, "red x"),
    ],
)
def test_what_a_file_says_of_who_drew_it_is_hostile_text(signed, keywords, named):
    signed.do("record", "last", "--pdf", "--out", "r.pdf")
    with pikepdf.open("r.pdf") as pdf:
        pdf.docinfo["/Keywords"] = keywords
        pdf.save("other.pdf")
    line = signed.do("record", "verify", "other.pdf").splitlines()[0]
    assert named in line
    assert len(line) < 1200
    answer = json.loads(signed.do("record", "verify", "other.pdf", "--json"))
    assert len(answer["drawn_by"]) <= 200


def test_of_json_nobody_says_who_drew_it(signed):
    signed.do("record", "last", "--json", "--out", "r.json")
    assert json.loads(signed.do("record", "verify", "r.json", "--json"))["drawn_by"] is None


def test_nothing_is_said_of_pages_where_there_are_none(signed):
    signed.do("record", "last", "--json", "--out", "r.json")
    assert "pages" not in signed.do("record", "verify", "r.json")
    assert json.loads(signed.do("record", "verify", "r.json", "--json"))["pages"] is None


def test_it_verifies_against_an_export_where_the_journal_is_not(signed, tmp_path):
    signed.do("record", "last", "--json", "--out", "r.json")
    signed.do("journal", "export", "--out", "all.jsonl")
    signed.do("record", "verify", "r.json", "--journal", "all.jsonl")
    signed.run("record", "verify", "r.json", "--journal", "all.jsonl", with_config=False)


def test_a_job_that_is_not_signed_off_gives_a_draft(jobs, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    do_job(jobs)
    said = jobs.do("record", "last", "--json")
    assert "(a draft: not signed off)" in said
    assert stored(jobs) == []
    said = jobs.do("record", "verify", said.split(" (")[0], code=1)
    assert "it is a draft" in said


def test_many_at_once_tell_how_far_they_are(signed):
    do_job(signed)  # one that is not signed off is passed over
    said = signed.do("record", "--all", "--csv", "--out", "out")
    assert said.startswith("1 of 1: out/record-FAN-07-")
    today = f"{SystemClock().utc():%Y-%m-%d}"
    assert signed.do("record", "--all", "--since", today, "--csv", "--out", "out")
    said = signed.do("record", "--all", "--since", "2199-01-01")
    assert said == "no job is signed off since 2199-01-01\n"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("make",), "name one job, or give --all"),
        (("last", "--all"), "name one job, or give --all"),
        (("last", "--json", "--csv", "--out", "-"), "one form of one job"),
        (("last", "--language", "xx"), "no texts in 'xx'; there are de, en"),
        (("last", "--version", "7"), "no version 7"),
        (("verify", "nowhere.json"), "cannot be read"),
    ],
)
def test_what_cannot_be_done_is_told_in_a_line(signed, arguments, words):
    code, _, err = signed.run("record", *arguments)
    assert code == 2
    assert words in err


def test_the_language_and_the_paper_of_the_configuration_are_taken(signed, config):
    config.write_text(config.read_text() + '\n[records]\nlanguage = "de"\npaper = "letter"\n')
    said = signed.do("record", "last", "--csv", "--pdf", "--out", "r.csv")
    assert "Impulszeit" in Path(said.splitlines()[1]).read_text("utf-8-sig")
    assert "Pulse time" in Path(
        signed.do("record", "last", "--csv", "--language", "en", "--out", "e.csv").strip()
    ).read_text("utf-8-sig")


def test_a_missing_part_says_what_to_install(signed, monkeypatch):
    import sys  # noqa: PLC0415 - to take a module away

    monkeypatch.setitem(sys.modules, "segno", None)
    said = signed.do("record", "last", code=2)
    assert "pip install 'benchtally[records]'" in said
    signed.do("record", "last", "--json", "--csv", "--out", "out")


@pytest.mark.parametrize("content", ["", "<html></html>", "what,name\n", "[" * 100_000])
@pytest.mark.usefixtures("signed")
def test_a_file_that_is_no_record_is_named(run, tmp_path, content):
    path = tmp_path / "other.json"
    path.write_text(content, "utf-8")
    assert run("record", "verify", str(path)) == (
        2,
        "",
        f"benchtally: {path}: not a record: neither the PDF nor the JSON of one\n",
    )


def test_nothing_takes_the_place_of_what_is_no_plain_file(signed, run, tmp_path):
    """A rename over a device, such as /dev/full, would make a file of it."""
    pipe = tmp_path / "pipe.pdf"
    os.mkfifo(pipe)
    code, _, err = run("record", "last", "--out", str(pipe), *OPERATOR)
    assert (code, err) == (
        2,
        f"benchtally: {pipe}: cannot be written: no plain file; - stands for the output\n",
    )
    assert pipe.is_fifo()
    plain = tmp_path / "plain"
    plain.write_text("")
    code, _, err = run("record", "last", "--out", str(plain), *OPERATOR)
    assert (code, err) == (2, f"benchtally: {plain}: no folder can be made: File exists\n")
