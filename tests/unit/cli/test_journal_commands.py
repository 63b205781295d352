"""``benchtally journal``: what a person sees, exit codes, and that nothing is overwritten."""

import json
import sqlite3
import sys
from datetime import UTC, datetime, timedelta

import pytest

from capture.cli import main as command_line
from capture.journal import JournalReader, Store

CONFIG = """
site = "sawmill"
bench = "bench-1"
[instruments.ohm-1]
driver = "scpi-meter"
link = { kind = "tcp", host = "192.0.2.10" }
"""


@pytest.fixture
def run(monkeypatch, capsys, tmp_path):
    """Run a command of the journal; give exit code, output and complaints."""
    config = tmp_path / "benchtally.toml"
    config.write_text(CONFIG)

    def call(*arguments):
        monkeypatch.setattr(
            sys, "argv", ["benchtally", "journal", *arguments, "--config", str(config)]
        )
        with pytest.raises(SystemExit) as end:
            command_line.main()
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return end.value.code, said.out, said.err

    return call


@pytest.fixture
def journal(tmp_path, drafts):
    path = tmp_path / "benchtally.journal"
    store = Store(path)
    store.append(drafts(7))
    store.close()
    return path


def head_of(path):
    reader = JournalReader(path)
    n, found = reader.head()
    reader.close()
    return f"{found.hex()}@{n}"


def break_at(path, n):
    connection = sqlite3.connect(path)
    with connection:
        connection.execute("UPDATE entries SET hash = zeroblob(32) WHERE n = ?", (n,))
    connection.close()


@pytest.mark.parametrize("command", [["info"], ["verify"], ["export", "--out", "-"], ["rebuild"]])
def test_without_a_journal_one_line_says_so(run, command):
    code, out, complaint = run(*command)
    assert (code, out) == (1, "")
    assert "there is no journal yet" in complaint
    assert len(complaint.splitlines()) == 1


def test_info_prints_the_head_that_verify_takes(run, journal):
    code, out, _ = run("info")
    assert code == 0
    assert out.splitlines()[-1].split() == ["head", head_of(journal)]
    (said,) = [json.loads(line) for line in run("info", "--json")[1].splitlines()]
    assert (said["head"], said["entries"], said["kinds"]) == (head_of(journal), 7, {"reading": 7})
    code, out, _ = run("verify", "--head", said["head"])
    assert code == 0
    assert "7 entries, all as they should be" in out
    assert "held against 1 head that somebody else kept: in the chain, each at its number" in out
    assert "no head that somebody else kept" in run("verify", "--deep")[1]


def test_verify_names_the_first_broken_entry_and_fails(run, journal):
    break_at(journal, 3)
    code, out, _ = run("verify")
    assert code == 1
    assert out.splitlines()[0].startswith("entry 3: chain: its hash does not follow from entry 2")
    code, out, _ = run("verify", "--json")
    said = json.loads(out)
    assert (code, said["ok"], said["last"]) == (1, False, 2)
    assert [(each["entry"], each["kind"]) for each in said["faults"]] == [(3, "chain")]


def test_a_head_of_another_form_is_wrong_usage(run, journal):
    code, _, complaint = run("verify", "--head", "abc")
    assert code == 2
    assert "HASH@N" in complaint


def test_a_backup_can_be_looked_at_and_verified_by_its_name(run, journal, tmp_path):
    copy = tmp_path / "copy"
    code, out, _ = run("backup", "--out", str(copy))
    assert code == 0
    assert head_of(journal) in out
    assert run("verify", "--journal", str(copy), "--head", head_of(journal))[0] == 0
    code, _, complaint = run("backup", "--out", str(copy))
    assert code == 1
    assert "another name" in complaint


def test_export_and_import_give_the_same_head(run, journal, tmp_path):
    target = tmp_path / "all.jsonl"
    assert run("export", "--out", str(target))[0] == 0
    assert run("export", "--out", str(target))[0] == 2, "nothing is overwritten"
    other = tmp_path / "folder" / "other.journal"
    code, out, _ = run("import", str(target), "--journal", str(other))
    assert code == 0
    assert head_of(journal) in out
    assert head_of(other) == head_of(journal)
    code, _, complaint = run("import", str(target))
    assert code == 1
    assert "a journal already" in complaint


def test_an_import_sets_aside_a_cursor_that_is_ahead(run, journal, tmp_path):
    """What was delivered under these numbers was in entries that are gone now."""
    target = tmp_path / "all.jsonl"
    run("export", "--out", str(target))
    reader = JournalReader(journal)
    name = reader.journal_id
    reader.close()
    other = tmp_path / "other.journal"
    ahead, behind, foreign = (
        tmp_path / f"other.journal{name}.delivered" for name in ("", ".plant", ".office")
    )
    ahead.write_text(json.dumps({"journal": name, "delivered": 8}))
    behind.write_text(json.dumps({"journal": name, "delivered": 7}))
    foreign.write_text(json.dumps({"journal": "another", "delivered": 900}))
    code, out, _ = run("import", str(target), "--journal", str(other))
    assert code == 0
    assert "delivery begins anew" in out
    assert not ahead.exists()
    assert behind.exists()
    assert foreign.exists()
    assert len(list(tmp_path.glob("set-aside-*-other.journal.delivered"))) == 1


def test_an_export_goes_to_the_output_and_the_summary_beside_it(run, journal):
    code, out, complaint = run("export", "--out", "-")
    assert code == 0
    assert len([json.loads(line) for line in out.splitlines()]) == 9
    assert head_of(journal) in complaint


def test_a_trim_says_what_it_would_do_and_does_it(run, journal, tmp_path, drafts):
    reader = JournalReader(journal)
    name = reader.journal_id
    reader.close()
    store = Store(journal)
    store.append(drafts(2, time=datetime.now(UTC) - timedelta(days=2)))
    store.close()
    asked = ("trim", "--before", "2090-01-01", "--operator", "winder")
    code, out, _ = run(*asked)
    assert code == 0
    assert "0 entries can be cut" in out
    assert "no publisher has delivered anything yet" in out
    cursor = tmp_path / "benchtally.journal.delivered"
    cursor.write_text(json.dumps({"journal": name, "delivered": 9}))
    other = tmp_path / "benchtally.journal.plant.delivered"
    other.write_text(json.dumps({"journal": name, "delivered": 2}))
    out = run(*asked, "--dry-run")[1]
    assert "2 entries can be cut" in out
    assert "publisher benchtally.journal.plant.delivered has delivered up to entry 2 only" in out
    other.write_text("torn")
    assert "0 entries can be cut" in run(*asked, "--dry-run")[1]
    other.unlink()
    code, out, _ = run(*asked, "--dry-run")
    assert "7 entries can be cut; what comes next is held by: entry 8 is not older" in out
    code, out, _ = run(*asked)
    assert code == 0
    assert "7 entries cut off" in out
    assert (tmp_path / "benchtally.journal.cut-1-7.jsonl").exists()
    code, out, _ = run("verify")
    assert code == 0
    assert "3 entries, all as they should be" in out
    assert "cut off  all up to entry 7" in run("info")[1]


def test_a_date_of_another_form_is_wrong_usage(run, journal):
    code, _, complaint = run("trim", "--before", "yesterday", "--operator", "winder")
    assert code == 2
    assert "no time such as" in complaint


def test_rebuild_says_what_was_wrong(run, journal):
    assert "all projections are as the entries say" in run("rebuild")[1]
    connection = sqlite3.connect(journal)
    with connection:
        connection.execute("UPDATE counters SET sequence = 3")
    connection.close()
    assert run("verify")[0] == 1
    assert "counters: 2 rows were wrong" in run("rebuild")[1]
    assert run("verify")[0] == 0
