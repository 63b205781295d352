"""A damaged journal is kept whole under another name, and the new one says so."""

import io
import json
import sqlite3

import journal_entries as make
import pytest

from capture.errors import JournalDamaged, JournalError
from capture.journal import JournalReader, Store
from capture.journal.aside import begin_anew, damage_of, set_aside
from capture.journal.rebuild import rebuild
from capture.journal.transfer import export, import_into
from capture.journal.verify import verify

NOW = make.day(30)
PAGE = 4096


@pytest.fixture
def filled(path, drafts):
    store = Store(path)
    for number in range(1, 6):
        store.append(drafts(400, time=make.day(number)))
    store.append(drafts(3, "lcr-1", time=make.day(6)))
    store.close()
    return path


def overwrite(path, first_page, pages):
    with path.open("r+b") as file:
        file.seek(first_page * PAGE)
        file.write(b"\xa5" * PAGE * pages)


def pages_of(path):
    return path.stat().st_size // PAGE


def files_of(path):
    return {each.name: each.read_bytes() for each in path.parent.iterdir()}


def anew(path, aside):
    return begin_anew(
        path, aside, site="sawmill", bench="bench-1", instruments=["ohm-1", "hand"], now=NOW
    )


def test_a_whole_journal_and_none_at_all_are_not_damaged(filled, tmp_path):
    assert damage_of(filled) is None
    assert damage_of(tmp_path / "none.journal") is None
    (tmp_path / "empty.journal").touch()
    assert damage_of(tmp_path / "empty.journal") is None


def test_a_changed_entry_is_not_damage_of_the_file(filled):
    """The chain says that somebody was at it; that is no reason to begin a new journal."""
    connection = sqlite3.connect(filled)
    with connection:
        connection.execute("UPDATE entries SET hash = zeroblob(32) WHERE n = 7")
    connection.close()
    assert damage_of(filled) is None


@pytest.mark.parametrize("where", [0.0, 0.02, 0.3, 0.5, 0.9])
def test_damage_anywhere_is_found_kept_and_told_of(filled, where):
    filled.with_name("bench.journal.delivered").write_text('{"journal": "x", "delivered": 5}')
    overwrite(filled, int(pages_of(filled) * where), 4)
    damaged = filled.read_bytes()
    why = damage_of(filled)
    assert why
    aside = set_aside(filled, why, 1000, NOW)
    assert not filled.exists()
    assert aside.to.name == "bench.journal.corrupt-20260203T080000Z"
    assert aside.to.read_bytes() == damaged, "kept whole"
    assert aside.to.with_name(aside.to.name + ".delivered.json").exists()
    anchor = anew(filled, aside)
    found = verify(filled, deep=True)
    assert found.ok, found.faults
    assert found.journal != str(aside.previous)
    reader = JournalReader(filled)
    first, *gaps = [json.loads(row.body) for row in reader.after(0, 100)]
    reader.close()
    assert first["id"] == str(anchor.id)
    assert (first["cause"], first["set_aside"]) == ("set-aside", aside.to.name)
    assert {gap["instrument"] for gap in gaps} == {"ohm-1", "hand", *aside.sequences}
    assert all(gap["begin"] <= gap["end"] for gap in gaps)
    assert damage_of(filled) is None


def test_sequences_go_on_and_the_gap_begins_with_what_was_not_delivered(filled, draft):
    overwrite(filled, pages_of(filled) // 2, 4)
    aside = set_aside(filled, "a test", 400, NOW)
    assert aside.sequences == {"ohm-1": 2000, "lcr-1": 3}
    assert aside.since == make.day(2)
    anew(filled, aside)
    store = Store(filled)
    assert [each.sequence for each in store.append([draft(), draft(instrument="lcr-1")])] == [
        2001,
        4,
    ]
    store.close()
    assert verify(filled).ok
    assert rebuild(filled) == {}


def test_a_new_journal_with_sequences_of_the_old_one_is_exported_and_imported(filled, tmp_path):
    aside = set_aside(filled, "a test", 400, NOW)
    anew(filled, aside)
    out = io.BytesIO()
    export(filled, out)
    import_into(tmp_path / "other.journal", io.BytesIO(out.getvalue()))
    assert verify(tmp_path / "other.journal") == verify(filled)


def test_a_file_of_which_nothing_can_be_read_is_set_aside_all_the_same(filled):
    filled.with_name("bench.journal.reserve").touch()
    filled.write_bytes(b"\0" * PAGE * 3)
    why = damage_of(filled)
    assert "not a database" in why
    aside = set_aside(filled, why, 0, NOW)
    assert (aside.previous, aside.sequences, aside.since.year) == (None, {}, 1970)
    anew(filled, aside)
    assert verify(filled).ok


def test_the_log_goes_with_its_file_and_never_stays_for_the_new_one(path, drafts):
    """What only the log holds is readable from the file that was set aside."""
    store = Store(path)
    store.append(drafts(3))
    wal = path.with_name("bench.journal-wal").read_bytes()
    raw = path.read_bytes()
    store.close()
    path.write_bytes(raw)
    path.with_name("bench.journal-wal").write_bytes(wal)
    path.with_name("bench.journal.reserve").touch()  # left by the daemon
    aside = set_aside(path, "a test", 0, NOW)
    assert aside.sequences == {"ohm-1": 3}
    assert not path.with_name("bench.journal-wal").exists()
    assert not path.with_name("bench.journal-shm").exists()
    anew(path, aside)
    assert verify(path).ok
    assert verify(aside.to).entries == 3


@pytest.mark.parametrize("content", [b"site = 'sawmill'\n" * 20, b"\x89PNG" + bytes(9000)])
def test_a_file_that_was_no_journal_is_left_as_it_is(path, content):
    path.write_bytes(content)
    before = files_of(path)
    why = damage_of(path)
    with pytest.raises(JournalError, match="left as it is"):
        set_aside(path, why, 0, NOW)
    assert files_of(path) == before


def test_a_database_of_another_program_is_no_damaged_journal(path):
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE theirs (a)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match="another program"):
        damage_of(path)
    assert path.read_bytes() == before


def test_nothing_that_was_set_aside_before_is_written_over(filled):
    overwrite(filled, 0, 1)
    filled.with_name("bench.journal.reserve").touch()
    filled.with_name("bench.journal.corrupt-20260203T080000Z").write_text("the one before")
    with pytest.raises(JournalError, match="is there already"):
        set_aside(filled, "a test", 0, NOW)
    assert filled.exists()


def test_appending_to_a_damaged_file_is_refused_as_damage(filled, drafts):
    store = Store(filled)
    overwrite(filled, 1, pages_of(filled) - 1)
    with pytest.raises(JournalDamaged, match="sets it aside"):
        store.append(drafts(1))
    store.close()
