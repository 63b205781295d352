"""Every command that writes into a killed daemon's journal looks at its log before SQLite drops it."""

import pytest

from capture.journal import Store
from capture.journal.beside import log_of

OPERATOR = ("--operator", "winder")


@pytest.fixture
def killed(jobs, drafts):
    """A job and readings, and a log of which SQLite takes nothing: a bit was changed."""
    jobs.start("three-pair-resistance")
    store = Store(jobs.journal)
    store.append(drafts(1))
    assert store.empty_log()
    for _ in range(6):
        store.append(drafts(1))
    log = log_of(jobs.journal)
    left = jobs.journal.read_bytes(), bytearray(log.read_bytes())
    store.close()
    left[1][32 + 100] ^= 1
    jobs.journal.write_bytes(left[0])
    log.write_bytes(left[1])
    return log


@pytest.mark.parametrize(
    "command",
    [
        ("key", "resistance", "0.84 Ω", *OPERATOR),
        ("key", "resistance", "0.84 Ω", "--job", "last", *OPERATOR),
        ("tag", "ohm-1:1", "--machine", "FAN-07", *OPERATOR),
        ("machine", "add", "FAN-08", *OPERATOR),
        ("machine", "set", "FAN-07", "--year", "2005", *OPERATOR),
        ("job", "start", "FAN-07", "three-pair-resistance", "--beside", *OPERATOR),
        ("job", "note", "last", "dusty", *OPERATOR),
        ("job", "take", "last", "resistance-u-v", *OPERATOR),
        ("operator", "add", "foreman", "--stdin"),
        ("journal", "rebuild"),
        ("journal", "trim", "--before", "2001-01-01", *OPERATOR),
    ],
    ids=lambda command: " ".join(command[:2]),
)
def test_a_command_that_writes_keeps_the_log_and_says_so_in_one_line(jobs, killed, command):
    before = killed.read_bytes()
    code, _, err = jobs.run(*command, given="271828\n")
    assert code == 0, err
    (kept,) = jobs.journal.parent.glob("*.log-*")
    assert kept.read_bytes() == before
    (said,) = [line for line in err.splitlines() if "log" in line]
    assert "6 commits" in said
    assert str(kept) in said
    assert "at the historian" in said


def test_rebuilding_a_file_that_is_named_looks_at_its_log_too(jobs, killed, tmp_path):
    """It knows no configuration: site and bench are those that its entries name."""
    before = killed.read_bytes()
    here = tmp_path / "copies" / "of.journal"
    here.parent.mkdir()
    jobs.journal.rename(here)
    killed.rename(log_of(here))
    code, _, err = jobs.run("journal", "rebuild", "--journal", str(here))
    assert code == 0, err
    (kept,) = here.parent.glob("*.log-*")
    assert kept.read_bytes() == before
    (said,) = err.splitlines()
    assert "6 commits" in said
    assert str(kept) in said
    assert not list(jobs.journal.parent.glob("*.log-*"))


@pytest.mark.parametrize(
    "command",
    [("job", "show", "last"), ("job", "next", "last"), ("machine", "list"), ("readings",),
     ("journal", "verify"), ("journal", "info")],
    ids=" ".join,
)  # fmt: skip
def test_a_command_that_only_looks_leaves_the_log_to_who_writes(jobs, killed, command):
    before = killed.read_bytes()
    jobs.run(*command)
    assert killed.read_bytes() == before
    assert not list(jobs.journal.parent.glob("*.log-*"))
