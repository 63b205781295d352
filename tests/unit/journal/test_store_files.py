"""Files that a journal cannot be opened in: no database, another program's, one that is not there."""

import sqlite3

import pytest

from capture.errors import JournalError
from capture.journal import VERSION, JournalReader, Store


def test_a_file_that_is_no_database_is_refused_and_left_alone(path):
    path.write_bytes(b"not a database, but long enough to be taken for one " * 40)
    before = path.read_bytes()
    with pytest.raises(JournalError, match="damaged, or no journal"):
        Store(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("version", [0, VERSION, VERSION + 4])
def test_a_database_of_another_program_is_refused_and_left_alone(path, version):
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE theirs (x)")
    connection.execute(f"PRAGMA user_version = {version}")
    connection.commit()
    connection.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match="of another program"):
        Store(path)
    assert path.read_bytes() == before
    with pytest.raises(JournalError):
        JournalReader(path)


def test_a_journal_of_a_newer_version_is_refused(path):
    Store(path).close()
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {VERSION + 1}")
    connection.close()
    with pytest.raises(JournalError, match="written by a newer Benchtally"):
        Store(path)
    with pytest.raises(JournalError, match="written by a newer Benchtally"):
        JournalReader(path)


def test_a_journal_in_a_folder_that_is_not_there_is_refused(tmp_path):
    with pytest.raises(JournalError, match="cannot be opened; check that its folder exists"):
        Store(tmp_path / "gone" / "bench.journal")


def test_reading_a_journal_that_is_not_there_makes_none(path):
    with pytest.raises(JournalError, match="no journal yet"):
        JournalReader(path)
    assert not path.exists()


def test_a_journal_that_may_not_be_written_is_refused(store, draft):
    store._connection.execute("PRAGMA query_only = ON")
    with pytest.raises(JournalError, match="may not be written to; check its permissions"):
        store.append([draft()])


def test_a_path_with_signs_that_mean_something_in_a_uri_is_a_path(tmp_path, draft):
    path = tmp_path / "50% of? #1 &mode=ro.journal"
    store = Store(path)
    store.append([draft()])
    store.close()
    assert path.is_file()


def test_a_locked_journal_is_waited_for_and_then_named(path, draft, monkeypatch):
    monkeypatch.setattr("capture.journal.database._BUSY_MS", 50)
    store = Store(path)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(JournalError, match="locked by another program"):
        store.append([draft()])
    other.execute("ROLLBACK")
    other.close()
    assert store.append([draft()])[0].sequence == 1
    store.close()
