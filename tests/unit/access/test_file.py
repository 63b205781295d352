"""The file of operators and sessions: for its owner alone, and shared by daemon and command."""

import os
import sqlite3
import stat
import threading
from datetime import UTC, datetime

import pytest

from capture.access.file import AccessFile
from capture.access.operators import Operators
from capture.access.sessions import Sessions
from capture.errors import AccessError, InputError, NotThereError

NOW = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "b.journal.operators"


@pytest.fixture
def file(path):
    made = AccessFile(path)
    yield made
    made.close()


def _modes(path):
    return {
        each.name.removeprefix(path.name): stat.S_IMODE(each.stat().st_mode)
        for each in path.parent.iterdir()
    }


@pytest.mark.skipif(os.name != "posix", reason="these permissions are of POSIX")
def test_nobody_else_may_read_it_whatever_the_umask(path):
    old = os.umask(0)
    try:
        file = AccessFile(path)
        Operators(file).add("winder", "", "hash", NOW)
        assert _modes(path) == {"": 0o600, "-wal": 0o600, "-shm": 0o600}
        file.close()
        path.chmod(0o644)
        file = AccessFile(path)
        assert _modes(path)[""] == 0o600
        file.close()
    finally:
        os.umask(old)


def test_of_a_session_only_a_hash_is_kept(file, path):
    sessions = Sessions(file, idle_s=60, longest_s=600, unproven=True)
    session = sessions.begin("winder", NOW, "127.0.0.1", proven=False)
    kept = b"".join(each.read_bytes() for each in path.parent.iterdir())
    assert session.token.encode() not in kept
    assert session.csrf.encode() not in kept


def test_a_command_and_a_daemon_use_it_at_the_same_time(file, path):
    other = AccessFile(path)
    Operators(other).add("winder", "rewinds", "hash", NOW)
    assert Operators(file).find("WINDER") == ("winder", "hash")
    Operators(file).remove("Winder")
    assert Operators(other).any() is False
    other.close()


def test_a_look_does_not_wait_for_who_writes(file, path):
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    other.execute("DELETE FROM operators")
    looked = threading.Event()
    thread = threading.Thread(target=lambda: (Operators(file).any(), looked.set()))
    thread.start()
    assert looked.wait(60)  # never, if it waited: the writer does not end before
    thread.join()
    other.execute("ROLLBACK")
    other.close()


def test_what_fails_leaves_nothing_behind(file):
    Operators(file).add("winder", "", "hash", NOW)

    def fail_in_the_middle():
        with file.writes() as connection:
            connection.execute("DELETE FROM operators")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_in_the_middle()
    with pytest.raises(InputError, match="set-pin"):
        Operators(file).add("Winder", "", "hash", NOW)
    with pytest.raises(NotThereError, match="operator list"):
        Operators(file).set_secret("foreman", "hash", NOW)
    assert [each.name for each in Operators(file).all()] == ["winder"]


def test_sessions_are_bounded_and_the_ones_in_use_stay(file):
    sessions = Sessions(file, idle_s=60, longest_s=600, unproven=True)
    first = sessions.begin("winder", NOW, "127.0.0.1", proven=False)
    made = [sessions.begin("winder", NOW, "127.0.0.1", proven=False) for _ in range(18)]
    sessions.touch(first, datetime(2026, 1, 5, 8, 0, 30, tzinfo=UTC))
    made += [sessions.begin("winder", NOW, "127.0.0.1", proven=False) for _ in range(10)]
    standing = [each for each in [first, *made] if sessions.find(each.token, NOW)]
    assert len(standing) == 20
    assert first.token in {each.token for each in standing}
    for n in range(230):
        sessions.begin(f"operator {n}", NOW, "127.0.0.1", proven=False)
    with file.reads() as connection:
        assert connection.execute("SELECT count(*) FROM sessions").fetchone() == (200,)


@pytest.mark.parametrize("content", [b"no database at all, but some text of a hundred bytes" * 4])
def test_a_file_of_another_program_is_left_alone(path, content):
    path.write_bytes(content)
    with pytest.raises(AccessError, match=r"b\.journal\.operators"):
        AccessFile(path)
    assert path.read_bytes() == content
    path.unlink()
    foreign = sqlite3.connect(path)
    foreign.execute("CREATE TABLE theirs (x)")
    foreign.commit()
    foreign.close()
    with pytest.raises(AccessError, match="another program"):
        AccessFile(path)
    path.unlink()
    AccessFile(path).close()
    newer = sqlite3.connect(path)
    newer.execute("PRAGMA user_version = 99")
    newer.close()
    with pytest.raises(AccessError, match="newer"):
        AccessFile(path)


def test_a_folder_that_is_not_there_is_told(tmp_path):
    with pytest.raises(AccessError, match="local disk"):
        AccessFile(tmp_path / "none" / "b.operators")


def _registered(path):
    file = AccessFile(path)
    Operators(file).add("winder", "", "hash", NOW)
    file.close()


@pytest.mark.parametrize("rest", [b"", b"S"])
def test_a_file_that_was_cut_to_nothing_is_not_one_where_nobody_is_registered(path, rest):
    """Else whoever comes next would get in without a secret."""
    _registered(path)
    path.write_bytes(rest)
    with pytest.raises(AccessError, match=r"is empty.*operator add") as caught:
        AccessFile(path)
    assert "\n" not in str(caught.value)
    assert path.read_bytes() == rest


@pytest.mark.parametrize("gone", [False, True])
def test_its_log_is_not_thrown_away_either(path, gone):
    file = AccessFile(path)
    Operators(file).add("winder", "", "hash", NOW)
    log = path.with_name(path.name + "-wal")
    kept = log.read_bytes()
    file.close()
    path.write_bytes(b"")
    if gone:
        path.unlink()
    log.write_bytes(kept)
    with pytest.raises(AccessError, match="who is registered is lost"):
        AccessFile(path)
    assert log.read_bytes() == kept


def test_a_page_that_has_lost_its_rows_is_damage(path):
    """SQLite itself reads such a page as one without rows, and nobody would be registered."""
    _registered(path)
    connection = sqlite3.connect(path)
    page, size = (
        connection.execute(query).fetchone()[0]
        for query in (
            "SELECT rootpage FROM sqlite_schema WHERE name = 'operators'",
            "PRAGMA page_size",
        )
    )
    connection.close()
    with path.open("r+b") as file:
        file.seek((page - 1) * size + 3)  # number of cells; fileformat2.html, 1.6
        file.write(b"\0\0")
    connection = sqlite3.connect(path)
    assert connection.execute("SELECT count(*) FROM operators").fetchone() == (0,)
    connection.close()
    with pytest.raises(AccessError, match=r"damaged.*operator add"):
        AccessFile(path)


@pytest.mark.parametrize("new", [b"CREATE TABLE sess\xfe\xffns (", b'CREATE TABLE sess"ons ('])
def test_what_sqlite_says_of_a_broken_table_is_one_line(path, new):
    _registered(path)
    path.write_bytes(path.read_bytes().replace(b"CREATE TABLE sessions (", new))
    with pytest.raises(AccessError, match="operator add") as caught:
        AccessFile(path)
    assert "\n" not in str(caught.value)


def _root_of(path, table):
    """Give where the page of a table begins, and its length."""
    connection = sqlite3.connect(path)
    page = connection.execute(
        "SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)
    ).fetchone()[0]
    size = connection.execute("PRAGMA page_size").fetchone()[0]
    connection.close()
    return (page - 1) * size, size


def _put(path, content, at):
    with path.open("r+b") as file:
        file.seek(at)
        file.write(content)


def _whole_to_sqlite(path):
    connection = sqlite3.connect(path)
    said = connection.execute("PRAGMA integrity_check").fetchone()
    connection.close()
    return said == ("ok",)


def test_a_page_without_rows_in_the_place_of_the_operators_is_damage(path):
    """A disk that writes a page to the wrong place: SQLite finds nothing wrong, and nobody was registered."""
    _registered(path)
    at, size = _root_of(path, "operators")
    other, _ = _root_of(path, "sessions")
    empty = path.read_bytes()[other : other + size]
    _put(path, empty, at)
    assert _whole_to_sqlite(path)
    with pytest.raises(AccessError, match=r"damaged.*not as they were written.*operator add"):
        AccessFile(path)


def test_an_older_page_in_the_place_of_the_operators_is_damage(path):
    """The PIN that was changed would open again."""
    _registered(path)
    at, size = _root_of(path, "operators")
    before = path.read_bytes()[at : at + size]
    file = AccessFile(path)
    Operators(file).set_secret("winder", "another hash", NOW)
    file.close()
    _put(path, before, at)
    assert _whole_to_sqlite(path)
    with pytest.raises(AccessError, match="not as they were written"):
        AccessFile(path)


def test_a_page_without_rows_in_the_place_of_their_sum_is_damage(path):
    _registered(path)
    at, size = _root_of(path, "sums")
    other, _ = _root_of(path, "sessions")
    _put(path, path.read_bytes()[other : other + size], at)
    with pytest.raises(AccessError, match="damaged"):
        AccessFile(path)


def test_who_is_lost_while_it_is_in_use_is_not_taken_for_nobody(file, path):
    """Else the next one would get in without a secret."""
    Operators(file).add("winder", "", "hash", NOW)
    other = sqlite3.connect(path)
    other.execute("DELETE FROM operators")
    other.commit()
    other.close()
    with pytest.raises(AccessError, match="not as they were written"):
        Operators(file).any()


def test_every_change_of_the_operators_is_summed(path):
    file = AccessFile(path)
    operators = Operators(file)
    for act in (
        lambda: operators.add("winder", "rewinds", "hash", NOW),
        lambda: operators.add("foreman", "", "hash", NOW),
        lambda: operators.set_secret("winder", "another", NOW),
        lambda: operators.remove("foreman"),
        lambda: operators.remove("winder"),
    ):
        act()
        AccessFile(path).close()
    assert operators.any() is False
    file.close()


def test_a_file_of_the_first_version_is_brought_up_to_date(path):
    """Its operators stay, and are summed from then on."""
    _registered(path)
    old = sqlite3.connect(path)
    old.execute("DROP TABLE sums")
    old.execute("PRAGMA user_version = 1")
    old.close()
    file = AccessFile(path)
    assert Operators(file).find("winder") == ("winder", "hash")
    file.close()
    at, size = _root_of(path, "operators")
    other, _ = _root_of(path, "sessions")
    _put(path, path.read_bytes()[other : other + size], at)
    with pytest.raises(AccessError, match="not as they were written"):
        AccessFile(path)
